"""Tables of what was proposed, decided and moved."""

from inksteward.reporting.columns import table

DECIDED = (
    table(
        "proposals",
        "proposal",
        """
        run_id text run of the press
        phase text phase of the run
        proposal_id text proposal
        unit text printing unit
        ink text its ink
        origin text scan, opening, recall or commission
        scan_id text scan that it came from
        sheet whole impression of the run
        proposed_at time when it was made
        replaces text proposal that it took the place of
        moves whole keys to move
        sweep_from_pct real sweep before, percent; empty: it stays
        sweep_to_pct real sweep proposed, percent
        """,
    ),
    table(
        "proposed_moves",
        "proposal and key to move",
        """
        run_id text run of the press
        proposal_id text proposal
        unit text printing unit
        ink text its ink
        zone whole ink key zone, from 1
        sheet whole impression of the run
        from_pct real opening before, percent of key travel
        to_pct real opening proposed, percent of key travel
        gap_um_after real gap that it leaves, um
        measured_d real density read, D
        aim_d real aim, D
        predicted_next_d real density expected at the next scan, D
        predicted_settled_d real density expected when settled, D
        seen_from_sheet whole impression from which it shows
        settled_by_sheet whole impression at which it has settled
        why text reason
        """,
    ),
    table(
        "limited",
        "proposal, key and limit that held its move back",
        """
        run_id text run of the press
        proposal_id text proposal
        unit text printing unit
        zone whole ink key zone, from 1
        sheet whole impression of the run
        limited_by text limit, by its code
        withheld_pct real what it withheld, percent of key travel
        """,
    ),
    table(
        "decisions",
        "decision that was accepted or refused",
        """
        run_id text run of the press
        decision_id text decision
        proposal_id text proposal
        unit text printing unit; empty: the proposal had ended
        ink text its ink
        verdict text approve or reject
        left_moves whole moves that were left out
        changed_moves whole targets that were changed
        left_sweep flag whether the sweep was left out
        reason text the operator's words
        operator text operator; of a decision that was refused: who it said it was
        operator_name text name in the operators file
        via text mqtt, page or command_line
        decided_at time when it came
        sheet whole impression of the run
        waited_s real seconds since the proposal was made
        accepted flag whether it counted
        """,
    ),
    table(
        "outcomes",
        "proposal that ended",
        """
        run_id text run of the press
        proposal_id text proposal
        decision_id text decision that it ended by
        unit text printing unit
        result text moved, rejected, lapsed, refused or failed
        code text why
        operator text operator
        via text mqtt, page or command_line
        ended_at time when it ended
        sheet whole impression of the run
        moved whole keys that moved
        refusals text reasons of a refusal, joined by ;
        """,
    ),
    table(
        "moves",
        "key that moved",
        """
        run_id text run of the press
        phase text phase of the run
        proposal_id text proposal
        unit text printing unit
        ink text its ink
        zone whole ink key zone, from 1
        moved_at time when it was read back
        sheet whole impression of the run
        result text how the proposal ended
        from_pct real opening before, percent of key travel
        to_pct real opening commanded, percent of key travel
        read_back_pct real opening read back, percent of key travel
        """,
    ),
    table(
        "sweeps",
        "sweep that moved",
        """
        run_id text run of the press
        proposal_id text proposal
        unit text printing unit
        moved_at time when it was read back
        sheet whole impression of the run
        from_pct real sweep before, percent
        to_pct real sweep commanded, percent
        read_back_pct real sweep read back, percent
        """,
    ),
)
