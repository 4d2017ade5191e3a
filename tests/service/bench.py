"""What the service's tests stand on: a configuration on disk, a simulated press to feed it, the service itself."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomli_w

from inksteward.authority import Key, Operator, Operators, new_key, public_x, sign, thumbprint
from inksteward.authority_file import OperatorsFile, save
from inksteward.bench.configuration import configuration
from inksteward.journal_read import Row, read_rows
from inksteward.journals import Journals
from inksteward.service.app import Service
from inksteward.service.clock import Clock
from inksteward.service.starting import Options, read
from inksteward_simulators.scenario import load_scenario
from inksteward_simulators.scenario_forms import Scenario

PATIENCE_S = 15.0
ANNA = new_key()
KID = thumbprint(public_x(ANNA))
ANNA_PUBLIC = Operators((Operator("op-anna", "Anna", (Key(KID, public_x(ANNA)),)),))
UTC_WORDS = "2026-03-02T08:15:30.000Z"


def scenario() -> Scenario:
    """A press of one unit: enough for everything that does not depend on size."""
    whole = load_scenario("makeready")
    return whole.model_copy(update={"units": whole.units[1:2]})


@dataclass(frozen=True)
class Shop:
    """A configured press on disk."""

    folder: Path
    press: str
    url: str
    scenario: Scenario

    @property
    def config(self) -> Path:
        return self.folder / "press.toml"

    @property
    def journal(self) -> Path:
        return self.folder / "journal"

    def options(self, **changes: Any) -> Options:
        return Options(self.config, **changes)

    def rows(self, journal: Path | None = None) -> list[Row]:
        """Every row of the record, over all its files."""
        paths = Journals(journal or self.journal).paths()
        return [row for path in paths for row in read_rows(path)]

    def events(self, kind: type, journal: Path | None = None) -> list[Any]:
        """The record's events of one kind."""
        return [row.event for row in self.rows(journal) if isinstance(row.event, kind)]


def settings_of(form: Scenario, **sections: Any) -> dict[str, Any]:
    """Configuration data for a press; positions may be older here, on a machine that others use as well."""
    measuring = {"patch_width_mm": 4.8, "position_max_age_s": 10.0}
    return configuration(form, **{"measuring": measuring, **sections})


def set_up_shop(
    folder: Path,
    url: str,
    press: str,
    form: Scenario | None = None,
    tables: dict[str, Any] | None = None,
    **sections: Any,
) -> Shop:
    """Write configuration and operators file of a press; operator op-anna has a key. ``sections`` are laid over the
    usual tables, ``tables`` stand in their place.
    """
    form = form or scenario()
    data = settings_of(form, **sections)
    data["press"] = {"id": press, "simulated": True}
    data["broker"] = {"url": url, **sections.get("broker", {})}
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "press.toml").write_text(tomli_w.dumps({**data, **(tables or {})}))
    save(folder / "operators.toml", OperatorsFile(ANNA_PUBLIC))
    return Shop(folder, press, url, form)


def signed(payload: dict[str, Any]) -> dict[str, Any]:
    """The payload with op-anna's signature."""
    return {**payload, "signature": sign(payload, ANNA, KID)}


def decision(proposal: dict[str, Any], number: str = "d-1", **changes: Any) -> dict[str, Any]:
    """Anna's signed approval of a proposal."""
    return signed(
        {
            "decision_id": number,
            "proposal_id": proposal["proposal_id"],
            "digest": proposal["digest"],
            "verdict": "approve",
            "operator": "op-anna",
            "decided_at": UTC_WORDS,
            **changes,
        }
    )


@asynccontextmanager
async def serving(options: Options) -> AsyncIterator[Service]:
    """The service in this process; its exit code ends up in ``exit_codes`` of the service."""
    service = Service(read(options), Clock())
    service.open()
    task = asyncio.create_task(service.run())
    try:
        yield service
    finally:
        service.stop.set()
        await asyncio.wait((task,), timeout=PATIENCE_S)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        if not task.cancelled() and task.exception() is not None:
            raise task.exception()  # type: ignore[misc]  # it is one: looked at a line before
