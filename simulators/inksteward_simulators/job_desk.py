"""The job desk: publishes the retained job once, from a file or from a scenario."""

import argparse
import asyncio
import json
import sys
from pathlib import Path
from typing import Any

from inksteward_simulators.broker import Session
from inksteward_simulators.console import link_address, say
from inksteward_simulators.link import BenchLink, LinkError
from inksteward_simulators.link_messages import Patch
from inksteward_simulators.payloads import load_object
from inksteward_simulators.scenario import Scenario, ScenarioError, load_scenario
from inksteward_simulators.schema_check import SchemaFault, SchemaFolder
from inksteward_simulators.strip_layout import layout_of
from inksteward_simulators.tasks import ended

PHASES = ("opening", "makeready", "run", "stopped")


def job_of(scenario: Scenario, run_id: str, phase: str, patches: tuple[Patch, ...]) -> dict[str, Any]:
    """The contract's job for a scenario whose front is measured on ``patches``."""
    job = scenario.job
    units = [
        {
            "unit": unit.unit,
            "ink": unit.ink,
            "aim": unit.aim_d,
            "tolerance": list(unit.tolerance_d),
            "coverage": list(unit.coverage),
            "d_inf": unit.d_inf,
            "m": unit.m,
        }
        for unit in scenario.units
    ]
    strip = [
        {"x_mm": patch.x_mm, "kind": patch.kind, "inks": list(patch.inks), "tone_pct": patch.tone_pct}
        for patch in patches
    ]
    return {
        "job_id": job.job_id,
        "run_id": run_id,
        "phase": phase,
        "basis": {"status": job.status, "polarised": job.polarised, "paper_relative": job.paper_relative},
        "units": units,
        "strip": {"id": job.strip_id, "mirror": False, "patches": strip},
        "sheet": {"width_mm": job.sheet_width_mm, "left_edge_mm": job.left_edge_mm},
    }


async def the_job(options: argparse.Namespace) -> dict[str, Any]:
    """The job that the command line asks for. Raises ValueError, OSError or LinkError in words."""
    if options.file is not None:
        job = load_object(options.file.read_bytes())
    else:
        host, port = options.link
        async with await BenchLink.connect(port, host) as link:
            state = await link.state()
        patches = layout_of(options.layout, state, "front", options.scenario)
        job = job_of(load_scenario(options.scenario), state.run_id, "makeready", patches)
    if options.phase is not None:
        job["phase"] = options.phase
    if options.run_id is not None:
        job["run_id"] = options.run_id
    return job


async def serve(options: argparse.Namespace) -> None:
    """Publish the job and end."""
    job = SchemaFolder(options.schemas).check("job", await the_job(options))
    session = Session(options.broker, options.press, f"sim-job-{options.press}")

    async def publish() -> None:
        await session.publish("job", json.dumps(job, separators=(",", ":")).encode(), retain=True)
        say("job", job_id=job.get("job_id"), run_id=job.get("run_id"), phase=job.get("phase"))

    await ended(session.run(), publish())


def parser() -> argparse.ArgumentParser:
    """The command line of the job desk."""
    made = argparse.ArgumentParser(prog="python -m inksteward_simulators job", description=__doc__)
    made.add_argument("--broker", required=True, help="mqtt://host:port")
    made.add_argument("--press", default="press-demo")
    source = made.add_mutually_exclusive_group(required=True)
    source.add_argument("--file", type=Path, help="the job as JSON")
    source.add_argument("--scenario", help="make the job of this scenario; needs --link for run and strip")
    made.add_argument("--link", type=link_address, help="[127.0.0.1:]PORT of the bench link, with --scenario")
    made.add_argument(
        "--layout", default="cycle", help="the strip: cycle, scenario or a JSON file of patches"
    )
    made.add_argument("--phase", choices=PHASES, help="in place of the job's own")
    made.add_argument("--run-id", help="in place of the job's own")
    made.add_argument("--schemas", type=Path, help="folder of the published schemas to check the job against")
    return made


def main(argv: list[str] | None = None) -> int:
    """Entry of `python -m inksteward_simulators job`."""
    made = parser()
    options = made.parse_args(argv)
    if options.scenario is not None and options.link is None:
        made.error("--link: expected [127.0.0.1:]PORT with --scenario")
    try:
        asyncio.run(serve(options))
    except (ScenarioError, SchemaFault, LinkError, ValueError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    return 0
