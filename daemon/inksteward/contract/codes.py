"""Every code that the contract names, as enums."""

from __future__ import annotations

from enum import StrEnum


class LimitCode(StrEnum):
    """What held a move back."""

    MIN_GAP = "min_gap"
    TRAVEL = "travel"
    STEP = "step"
    ADJACENT = "adjacent"
    INTERACTION = "interaction"
    TOTAL_TRAVEL = "total_travel"
    ACCUMULATED_KEY = "accumulated_key"
    ACCUMULATED_UNIT = "accumulated_unit"
    SWEEP_STEP = "sweep_step"
    SWEEP_RANGE = "sweep_range"
    RESOLUTION = "resolution"


class LeftCode(StrEnum):
    """Why a zone's key was left alone."""

    IN_TOLERANCE = "in_tolerance"
    WITHIN_NOISE = "within_noise"
    OFF_SHEET = "off_sheet"
    UNREAD = "unread"
    NOT_INKED = "not_inked"
    SATURATED = "saturated"
    BELOW_MIN_GAP = "aim_below_min_gap"
    ABOVE_TRAVEL = "aim_above_travel"
    NOT_A_KEY_FAULT = "not_a_key_fault"
    BELOW_RESOLUTION = "below_resolution"
    HELD_BACK = "held_back"


class NoteCode(StrEnum):
    """Something that the operator should know about a proposal or a reading."""

    BELOW_MIN_GAP = "aim_below_min_gap"
    ABOVE_TRAVEL = "aim_above_travel"
    UNDETERMINED = "zones_undetermined"
    STRIP_REVERSED = "strip_reversed"
    STRIP_SHIFTED = "strip_shifted"
    NO_RESPONSE = "zone_does_not_answer"
    COMMON_LOSS = "all_inks_down"
    TONE_UP = "tone_up_solids_right"
    TRAP_DOWN = "trap_down"
    GAIN_HALVED = "gain_halved"
    SHORTAGE = "whole_form_short"
    WAIT_THEN_PULL = "wait_then_pull"
    NOT_SETTLED = "not_settled"
    SHEET_ESTIMATED = "sheet_estimated"
    NO_SOLUTION = "no_solution"
    WHOLE_FORM_FULL = "whole_form_full"
    WATER_HIGH = "water_high"
    INK_EMULSIFIED = "ink_emulsified"
    TONING = "toning"
    DRY_BACK = "dry_back"
    BLANKET_SPOT = "blanket_low_spot"
    IMPRESSION_SPOT = "impression_low_spot"
    TONE_DOWN = "tone_down_solids_right"
    GREY_OFF = "grey_off_solids_right"
    HUE_CHANGED = "hue_changed"
    ANSWERS_ASIDE = "answers_aside"
    ABSURD_PATCH = "absurd_patch"
    INSTRUMENT_SHIFTED = "instrument_shifted"
    SLOW_DRIFT = "slow_common_drift"


class SetAside(StrEnum):
    """Why a patch was not used."""

    MISSED = "missed"
    OUTSIDE_ZONES = "outside_zones"
    OFF_SHEET = "off_sheet"
    UNKNOWN_INK = "unknown_ink"
    WRONG_FILTER = "wrong_filter"
    OUT_OF_RANGE = "out_of_range"
    OUTLIER = "outlier"
    JUMP = "jump"
    NOT_INKED = "not_inked"
    SATURATED = "saturated"


class NoProposal(StrEnum):
    """Why a reading led to no proposal for a unit."""

    IN_TOLERANCE = "in_tolerance"
    WITHIN_NOISE = "within_noise"
    WAITING = "waiting"
    UNCONFIRMED_MOVE = "unconfirmed_move"
    NOT_A_KEY_FAULT = "not_a_key_fault"
    INFEASIBLE = "infeasible"
    HELD = "held"
    SUSPENDED = "suspended"
    NOT_CONTROLLED = "not_controlled"
    NO_POSITIONS = "no_positions"
    NO_COUNTER = "no_counter"
    STOPPED = "stopped"


class Alarm(StrEnum):
    """Alarms. Latched ones stay until acknowledged."""

    COUNTER_SILENT = "counter_silent"
    POSITION_STALE = "position_stale"
    NOT_REFERENCED = "not_referenced"
    MOVE_FAILED = "move_failed"
    FATE_UNKNOWN = "fate_unknown"
    LINK_LOST = "link_lost"
    ECHO_MISSING = "echo_missing"
    CLOCK_SKEW = "clock_skew"
    JOURNAL_FAULT = "journal_fault"
    INPUT_DROPPED = "input_dropped"
    OTHER_INSTANCE = "other_instance"
    BELOW_MIN_GAP = "below_min_gap"
    PROPOSAL_UNSAFE = "proposal_unsafe"


class ResultCode(StrEnum):
    """How a proposal ended."""

    MOVED = "moved"
    REJECTED = "rejected"
    LAPSED = "lapsed"
    REFUSED = "refused"
    FAILED = "failed"


class Lapse(StrEnum):
    """Why a proposal lapsed."""

    EXPIRED = "expired"
    REPLACED = "replaced"
    RUN_CHANGED = "run_changed"
    HELD = "held"
    RESTART = "restart"
    MOVED_BY_HAND = "moved_by_hand"
    LINK_LOST = "link_lost"


class Phase(StrEnum):
    """Phase of a job."""

    OPENING = "opening"
    MAKEREADY = "makeready"
    RUN = "run"
    STOPPED = "stopped"


class Origin(StrEnum):
    """What led to a proposal."""

    SCAN = "scan"
    OPENING = "opening"
    RECALL = "recall"
    COMMISSION = "commission"
