"""Every topic of the contract: who publishes it, how, and with which payload."""

from __future__ import annotations

from dataclasses import dataclass

from inksteward.contract import inputs, outputs, telling
from inksteward.contract.base import Payload

ROOT = "inksteward/v1/{press}/"
PRESS_PATTERN = "[a-z0-9-]{1,32}"


@dataclass(frozen=True, slots=True)
class Channel:
    """One topic behind the press's root.

    ``name`` is the name of the payload's schema. ``sent``: the service publishes it, else it subscribes.
    ``expiry``: where the message expiry of MQTT 5 comes from, None for none. ``cleared``: an empty retained
    payload removes it.
    """

    name: str
    topic: str
    payload: type[Payload]
    sent: bool
    text: str
    qos: int = 1
    retained: bool = False
    expiry: str | None = None
    cleared: bool = False


CHANNELS = (
    Channel(
        "status",
        "status",
        telling.Status,
        True,
        "State of the service, on change and every 10 s, and as last will. Older than 30 s means unknown.",
        retained=True,
    ),
    Channel("press", "press", telling.PressInfo, True, "Geometry of the press, at start.", retained=True),
    Channel(
        "job",
        "job",
        inputs.Job,
        False,
        "What is to be printed. A new run_id starts a new run.",
        retained=True,
    ),
    Channel(
        "counter",
        "counter",
        inputs.Counter,
        False,
        "Sheets of the run, every second or every 20 sheets, whichever is sooner. None for 10 s: no proposals.",
        qos=0,
    ),
    Channel("scan", "scan", inputs.Scan, False, "A measured sheet."),
    Channel(
        "reading",
        "reading",
        outputs.Reading,
        True,
        "What a scan said, one per accepted scan, after its proposals: the service has finished with the scan.",
        retained=True,
    ),
    Channel(
        "proposal",
        "proposal/{unit}",
        outputs.Proposal,
        True,
        "What should move in one unit. Replaced, or cleared by an empty payload when it ends.",
        retained=True,
        cleared=True,
    ),
    Channel("decision", "decision", inputs.Decision, False, "An operator's word on exactly one proposal."),
    Channel("request", "request", inputs.Request, False, "Anything else an operator asks for."),
    Channel(
        "outcome",
        "outcome",
        outputs.Outcome,
        True,
        "How a proposal ended, exactly one for each, when it ends.",
    ),
    Channel(
        "command",
        "keys/{unit}/command",
        outputs.KeyCommand,
        True,
        "What the key side shall do, only after an approval passed the interlock. Never retained: "
        "a key side refuses a retained copy.",
        expiry="valid_s of the payload",
    ),
    Channel(
        "position",
        "keys/{unit}/position",
        inputs.KeyPosition,
        False,
        "Where the keys of a unit are: on change, at most 0.5 s apart while moving, every 2 s otherwise.",
        retained=True,
    ),
    Channel("alarm", "alarm", telling.Alarms, True, "Every alarm that stands.", retained=True),
    Channel(
        "answer",
        "answer",
        telling.Answer,
        True,
        "Reply to anything inbound that carries an id, or that could not be read (id null).",
    ),
)
