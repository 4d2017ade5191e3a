"""The promises of the contract by name, what is judged at the end from the ledger, and the summary."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping

from tests.outside.rig_decide import expected_targets
from tests.outside.rig_json import Json
from tests.outside.rig_ledger import Decided, Ledger
from tests.outside.rig_promises import ONLY_SIGNED, OPTIONAL, PROMISES

STATUS_S = 10.0


def _judge_commands(ledger: Ledger) -> None:
    """Every command belongs to one approval of ours that was accepted, and carries out just that."""
    for item in ledger.commands:
        command, pid = item.payload, item.payload["proposal_id"]
        approvals = [d for d in _approvals(ledger, pid) if d.sent_s < item.at_s]
        words = (
            f"command {command['command_id']} on proposal {pid}: {len(approvals)} approvals of ours before it"
        )
        ledger.say("no_command_without_our_approval", len(approvals) == 1, words)
    for pid in {c.payload["proposal_id"] for c in ledger.commands}:
        approvals = _approvals(ledger, pid)
        if approvals:
            _judge_targets(ledger, pid, approvals[0])


def _approvals(ledger: Ledger, pid: str) -> list[Decided]:
    return [
        d
        for d in ledger.decided.values()
        if d.sound and d.decision["verdict"] == "approve" and d.decision["proposal_id"] == pid
    ]


def _judge_targets(ledger: Ledger, pid: str, decided: Decided) -> None:
    """All commands of one proposal together move what was decided, each zone once, and nothing else."""
    targets, sweep = expected_targets(decided.proposal, decided.decision)
    commands = {c.payload["command_id"]: c.payload for c in ledger.commands_for(pid)}
    sent = [target for command in commands.values() for target in command["targets"]]
    told = {target["zone"]: target["to_pct"] for target in sent}
    same = told.keys() == targets.keys() and all(abs(told[z] - targets[z]) < 1e-6 for z in told)
    words = f"{pid} ({decided.act}): decided {targets}, commanded {told}"
    ledger.say("command_targets_equal_decision", same and len(sent) == len(told), words)
    sweeps = {command.get("sweep_pct") for command in commands.values()} - {None}
    if sweep is not None:
        ledger.say(
            "command_sweep_equals_decision", sweeps == {sweep}, f"{pid}: decided {sweep}, commanded {sweeps}"
        )
    elif decided.proposal["sweep"] is not None:
        other = decided.proposal["sweep"]["to_pct"] not in sweeps
        ledger.say("command_sweep_equals_decision", other, f"{pid}: sweep was left out, commanded {sweeps}")


def _judge_outcomes(ledger: Ledger) -> None:
    """Exactly one outcome per proposal; what was left alone lapsed; a refused decision never moved anything."""
    for pid, item in ledger.proposals.items():
        results = [o.payload["result"] for o in ledger.outcomes.get(pid, [])]
        words = f"{item.payload['unit']} {pid}: {len(results)} outcomes {results}"
        ledger.say("one_outcome_per_proposal", len(results) == 1, words)
        if pid not in {d.decision["proposal_id"] for d in ledger.decided.values() if d.sound}:
            quiet = all(result == "lapsed" for result in results) and not ledger.commands_for(pid)
            ledger.say("undecided_lapses", quiet, words)
    known = set(ledger.proposals)
    for pid, items in ledger.outcomes.items():
        later = [o for o in items if pid not in known and o.payload.get("result") == "moved"]
        ledger.say(
            "outcomes_are_of_known_proposals",
            not later,
            f"{pid} moved, but was never proposed" if later else "",
        )


def _judge_lapse_act(ledger: Ledger, left_to_lapse: set[str]) -> None:
    for pid in left_to_lapse:
        results = [o.payload["result"] for o in ledger.outcomes.get(pid, [])]
        quiet = results == ["lapsed"] and not ledger.commands_for(pid)
        ledger.say("act_lapse", quiet, f"{pid} left undecided: outcomes {results}")


def _judge_proposals(ledger: Ledger) -> None:
    for pid, item in ledger.proposals.items():
        proposal = item.payload
        floor = ledger.min_gap_um.get(proposal["unit"], math.inf)
        low = [
            m for m in proposal["moves"] if m["gap_um_after"] < floor - 1e-6 and m["to_pct"] <= m["from_pct"]
        ]
        words = (
            f"{pid}: zones {[(m['zone'], m['gap_um_after']) for m in low]} close below {floor} um"
            if low
            else ""
        )
        ledger.say("no_closing_below_minimum_gap_proposed", not low, words)
        zones = [move["zone"] for move in proposal["moves"]]
        inside = len(set(zones)) == len(zones) and all(
            z <= ledger.zones.get(proposal["unit"], 0) for z in zones
        )
        ledger.say("moves_name_zones_once", inside, "" if inside else f"{pid}: zones {zones}")
        if proposal["origin"] == "scan":
            known = proposal["scan_id"] in ledger.scans_accepted
            ledger.say(
                "proposal_names_its_scan", known, "" if known else f"{pid}: scan {proposal['scan_id']}"
            )


def _judge_readings(ledger: Ledger) -> None:
    for scan_id in ledger.scans_accepted:
        count = len(ledger.readings[scan_id])
        ledger.say(
            "one_reading_per_scan", count == 1, "" if count == 1 else f"scan {scan_id}: {count} readings"
        )


def first_of_two(flags: list[bool]) -> int | None:
    """Index of the first of two successive True, or None."""
    return next((i for i in range(len(flags) - 1) if flags[i] and flags[i + 1]), None)


def _judge_tolerance(ledger: Ledger, max_sheets: int) -> None:
    pulls = ledger.pulls[: ledger.makeready_pulls]
    if not pulls:
        return
    looks = {
        "in_tolerance_by_own_film": [pull.truly_in for pull in pulls],
        "in_tolerance_by_readings": [pull.read_in for pull in pulls],
    }
    for promise, flags in looks.items():
        index = first_of_two(flags)
        sheet = None if index is None else pulls[index].sheet
        words = f"two scans in tolerance from sheet {sheet}; last sheet {pulls[-1].sheet}: {pulls[-1].worst}"
        ledger.say(promise, sheet is not None and sheet <= max_sheets, words)


def _judge_status(ledger: Ledger) -> None:
    times = ledger.live_status_s
    gaps = [after - before for before, after in itertools.pairwise(times)]
    if gaps:
        ledger.say("status_every_10_s", max(gaps) <= STATUS_S + 2.0, f"longest pause {max(gaps):.1f} s")


def judge(
    ledger: Ledger, *, left_to_lapse: set[str], retained: Mapping[str, bytes] | None, max_sheets: int
) -> None:
    """Everything that is seen only from the whole ledger; `retained`: what the broker held in the end."""
    _judge_commands(ledger)
    _judge_outcomes(ledger)
    _judge_lapse_act(ledger, left_to_lapse)
    _judge_proposals(ledger)
    _judge_readings(ledger)
    _judge_tolerance(ledger, max_sheets)
    _judge_status(ledger)
    gap = ledger.min_true_gap_um
    if math.isfinite(gap):
        ledger.say("no_true_gap_closed", gap > 0.0, f"smallest true gap {gap:.1f} um")
    if retained is not None:
        commands = [tail for tail in retained if tail.startswith("keys/")]
        ledger.say(
            "commands_never_retained", not commands, f"retained in the end: {commands}" if commands else ""
        )
        left = [tail for tail in retained if tail.startswith("proposal/")]
        words = f"still retained in the end: {left}" if left else "no proposal is retained in the end"
        ledger.say("ended_proposals_cleared", not left, words)


def summary(ledger: Ledger, *, signed: bool, stalled: str | None, stage: str) -> Json:
    """The one JSON summary; `passed` only when nothing broke, nothing stalled and all was exercised."""
    checks = []
    for name, promise in PROMISES.items():
        said = ledger.said[name]
        optional = name in OPTIONAL or _other_mode(name, signed)
        result = "fail" if said.broken else "pass" if said.held else "not_exercised"
        entry = {"name": name, "promise": promise, "result": result, "required": not optional}
        checks.append(entry | {"held": said.held, "broken": said.broken, "evidence": said.evidence})
    failing = [c["name"] for c in checks if c["result"] == "fail"]
    unseen = [c["name"] for c in checks if c["result"] == "not_exercised" and c["required"]]
    unlisted = sorted(set(ledger.said) - set(PROMISES))
    gap = ledger.min_true_gap_um
    return {
        "passed": not (failing or unseen or unlisted) and stalled is None,
        "stalled": stalled,
        "stage": stage,
        "failing": failing,
        "required_but_not_exercised": unseen,
        "run_id": ledger.run_id,
        "signed": signed,
        "sheets": ledger.sheet,
        "scans": len(ledger.scans_accepted),
        "proposals": len(ledger.proposals),
        "decisions": len(ledger.decided),
        "commands": len({c.payload["command_id"] for c in ledger.commands}),
        "smallest_true_gap_um": round(gap, 1) if math.isfinite(gap) else None,
        "key_refusals": ledger.key_refusals,
        "alarms": dict(ledger.alarm_codes),
        "fields_beyond_the_page": dict(ledger.extra_fields),
        "unlisted_promises": unlisted,
        "checks": checks,
    }


def _other_mode(name: str, signed: bool) -> bool:
    """True for a promise that this mode, signed or unsigned, cannot exercise."""
    return name == "bench_shown_when_unsigned" if signed else name in ONLY_SIGNED
