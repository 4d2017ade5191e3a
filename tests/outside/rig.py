"""Acceptance rig: plays every part outside the service over MQTT and checks what the public contract promises.

Written from the contract page alone; imports nothing of the project. Prints one JSON summary on standard
output and exits 0 only if everything held. See RIG.md.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
import traceback
from collections.abc import Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import aiomqtt

from tests.outside.rig_checks import judge, summary
from tests.outside.rig_json import Json, new_id
from tests.outside.rig_ledger import Ledger
from tests.outside.rig_play import Play
from tests.outside.rig_rounds import Options
from tests.outside.rig_sign import KeyFault, Signer, load_signer
from tests.outside.rig_wire import Broker, Missing, connected, retained_now


def arguments(argv: Sequence[str]) -> argparse.Namespace:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0] if __doc__ else None)
    parser.add_argument("--broker", required=True, help="mqtt://[user:password@]host:port")
    parser.add_argument("--press", required=True, help="press id of the service's configuration")
    parser.add_argument("--operator", required=True, help="operator id that the service knows")
    parser.add_argument("--key", type=Path, help="private Ed25519 key of the operator, PEM or JWK")
    parser.add_argument("--kid", help="key id; taken from a JWK when not given")
    parser.add_argument("--unsigned", action="store_true", help="bench: send decisions without signature")
    parser.add_argument("--sheets-per-second", type=float, default=40.0)
    parser.add_argument("--seed", type=int, default=1, help="coverage, preset, press and noise come from it")
    parser.add_argument("--scan-every", type=int, default=100, help="sheets between pulls")
    parser.add_argument("--scan-delay-s", type=float, default=0.5, help="from pull to published scan")
    parser.add_argument("--think-s", type=float, default=0.3, help="from reading to decision")
    parser.add_argument("--noise-d", type=float, default=0.015, help="white noise of one patch")
    parser.add_argument("--key-speed", type=float, default=25.0, help="percent of travel a second")
    parser.add_argument(
        "--spread", type=float, default=0.004, help="lateral spread to each neighbour a sheet"
    )
    parser.add_argument("--max-sheets", type=int, default=1500, help="in tolerance by this sheet")
    parser.add_argument(
        "--film-slack-d", type=float, default=0.01, help="allowed to the rig's own film beyond it"
    )
    parser.add_argument("--strip", choices=("given", "null"), default="given", help="`strip` in the job")
    parser.add_argument("--ask-opening", action="store_true", help="send the request `opening` first")
    parser.add_argument(
        "--limit-s", type=float, help="overall time limit; from sheets and speed when not given"
    )
    parser.add_argument("--quiet", action="store_true", help="no progress on standard error")
    chosen = parser.parse_args(argv)
    if chosen.unsigned == (chosen.key is not None):
        parser.error("give either --key FILE or --unsigned")
    if chosen.sheets_per_second <= 0 or chosen.scan_every < 20:
        parser.error("--sheets-per-second above 0 and --scan-every of 20 or more expected")
    return chosen


def options_of(chosen: argparse.Namespace) -> Options:
    """The play's options from the command line."""
    return Options(
        operator=chosen.operator,
        seed=chosen.seed,
        sheets_per_s=chosen.sheets_per_second,
        scan_every=chosen.scan_every,
        scan_delay_s=chosen.scan_delay_s,
        think_s=chosen.think_s,
        noise_d=chosen.noise_d,
        key_speed_pct_s=chosen.key_speed,
        spread=chosen.spread,
        max_sheets=chosen.max_sheets,
        film_slack_d=chosen.film_slack_d,
        strip_given=chosen.strip == "given",
        ask_opening=chosen.ask_opening,
    )


async def watched(play: Play, limit_s: float) -> str | None:
    """Run the play under its overall limit; the words say what did not happen, None when all did."""
    try:
        await asyncio.wait_for(asyncio.create_task(play.run()), limit_s)
    except Missing as missing:
        return f"while {play.stage}: {missing}"
    except TimeoutError:
        return f"while {play.stage}: not over within {limit_s:.0f} s in all; {play.ledger.state_words()}"
    except asyncio.CancelledError:
        return f"while {play.stage}: {play.failure or 'stopped from outside'}"
    except aiomqtt.MqttError as error:
        return f"while {play.stage}: broker: {error}"
    except (KeyError, TypeError, IndexError) as error:
        where = traceback.format_exc(limit=-3)
        return f"while {play.stage}: a payload of the service cannot be used: {error!r}\n{where}"
    finally:
        for task in play.tasks:
            task.cancel()
        await asyncio.gather(*play.tasks, return_exceptions=True)
    return None


async def perform(chosen: argparse.Namespace, signer: Signer | None) -> Json:
    """The whole play and its summary."""
    options, broker = options_of(chosen), Broker.parse(chosen.broker)
    ledger = Ledger(new_id("run"), talk=not chosen.quiet)
    limit_s = chosen.limit_s or 180.0 + (2 * options.max_sheets + 6000) / options.sheets_per_s
    async with connected(broker, chosen.press) as wire:
        play = Play(wire, ledger, options, signer)
        stalled = await watched(play, limit_s)
    retained = None
    if stalled is None:
        retained = await retained_now(broker, wire.root, ("proposal/+", "keys/+/command"))
    judge(ledger, left_to_lapse=play.desk.left_to_lapse, retained=retained, max_sheets=options.max_sheets)
    return summary(ledger, signed=signer is not None, stalled=stalled, stage=play.stage)


def main(argv: Sequence[str] | None = None) -> int:
    """Command line entry; 0 only if everything held, 1 if not, 2 when it could not start."""
    chosen = arguments(sys.argv[1:] if argv is None else argv)
    try:
        signer = None if chosen.unsigned else load_signer(chosen.key, chosen.kid)
        result = asyncio.run(perform(chosen, signer))
    except (KeyFault, OSError, ValueError, aiomqtt.MqttError) as error:
        sys.stderr.write(f"rig: {error}\n")
        return 2
    sys.stdout.write(json.dumps(result, indent=1, ensure_ascii=False) + "\n")
    return 0 if result["passed"] else 1


if __name__ == "__main__":
    sys.exit(main())
