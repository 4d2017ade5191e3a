"""The job desk: one retained job, from a file or from a scenario."""

import itertools
import json
from pathlib import Path
from typing import Any

import pytest

from inksteward.contract import decode
from inksteward.contract.inputs import Job
from inksteward_simulators.broker import client_of
from inksteward_simulators.job_desk import job_of, main
from inksteward_simulators.scenario import bundled_scenarios, load_scenario
from inksteward_simulators.schema_check import SchemaFolder
from tests.simulators.processes import SCHEMAS, simulator
from tests.simulators.test_strip_reader import press_on_link

pytestmark = pytest.mark.broker
_numbers = itertools.count(1)


async def _retained(url: str, press: str) -> tuple[Job, dict[str, Any], bool]:
    async with client_of(url, f"test-{press}") as client:
        await client.subscribe(f"inksteward/v1/{press}/job", qos=1)
        message = await anext(aiter(client.messages))
        await client.publish(message.topic.value, b"", qos=1, retain=True)
    return *decode(Job, bytes(message.payload)), message.retain


async def test_job_from_a_file(mosquitto: str, tmp_path: Path) -> None:
    """The file's job is published retained, with phase and run in place of its own where asked for."""
    press = f"desk-{next(_numbers)}"
    job = job_of(load_scenario("makeready"), "run-1", "makeready", ())
    file = tmp_path / "job.json"
    file.write_text(json.dumps(job | {"remark": "kept"}))
    words = (
        "--broker",
        mosquitto,
        "--press",
        press,
        "--file",
        file,
        "--phase",
        "stopped",
        "--run-id",
        "run-7",
    )
    async with simulator("job", *words) as process:
        assert (await process.next("job"))["phase"] == "stopped"
        assert await process.ended() == 0
    published, data, retained = await _retained(mosquitto, press)
    assert (published.run_id, published.phase, retained) == ("run-7", "stopped", True)
    assert data == job | {"remark": "kept", "run_id": "run-7", "phase": "stopped"}


async def test_job_from_a_scenario(mosquitto: str) -> None:
    """A scenario's job has the press's run and the strip that the strip reader reads."""
    press = f"desk-{next(_numbers)}"
    async with press_on_link() as (_, port):
        words = ("--broker", mosquitto, "--press", press, "--scenario", "makeready", "--link", port)
        async with simulator("job", *words, "--schemas", SCHEMAS) as process:
            assert await process.ended() == 0
    job, _, _ = await _retained(mosquitto, press)
    assert (job.run_id, job.phase) == ("run-1", "makeready")
    assert [unit.ink for unit in job.units] == ["K", "C", "M", "Y"]
    assert job.strip is not None
    assert {patch.kind for patch in job.strip.patches} >= {"solid", "paper", "tint"}


@pytest.mark.parametrize("name", bundled_scenarios())
def test_bundled_scenarios_make_jobs_of_the_contract(name: str) -> None:
    """Every bundled scenario makes a job that the published schema and the contract's own model accept."""
    scenario = load_scenario(name)
    job = SchemaFolder(SCHEMAS).check("job", job_of(scenario, "run-1", "opening", scenario.strip("front")))
    decode(Job, json.dumps(job).encode())


@pytest.mark.parametrize(
    ("content", "words", "text"),
    [
        ("[]", [], "expected a JSON object"),
        ('{"a":1,"a":2}', [], "'a' stands twice"),
        ("{}", ["--schemas", str(SCHEMAS)], "job: $"),
        (None, [], "No such file"),
    ],
)
def test_job_that_is_none(
    tmp_path: Path, content: str | None, words: list[str], text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file that holds no job is refused in words, and nothing is published."""
    file = tmp_path / "job.json"
    if content is not None:
        file.write_text(content)
    assert main(["--broker", "mqtt://127.0.0.1:1", "--file", str(file), *words]) == 2
    assert text in capsys.readouterr().err


def test_scenario_needs_a_press(capsys: pytest.CaptureFixture[str]) -> None:
    """A job from a scenario needs the bench link, for the run and the strip."""
    with pytest.raises(SystemExit):
        main(["--broker", "mqtt://127.0.0.1:1", "--scenario", "makeready"])
    assert "--link: expected" in capsys.readouterr().err
