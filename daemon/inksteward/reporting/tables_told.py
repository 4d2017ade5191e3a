"""Tables of what was asked and told, and of where the record comes from."""

from inksteward.reporting.columns import table

TOLD = (
    table(
        "requests",
        "request of an operator: OK sheet, aims, hold and the like",
        """
        run_id text run of the press
        request_id text request
        kind text what was asked
        operator text operator; of a request that was refused: who it said it was
        operator_name text name in the operators file
        via text mqtt, page or command_line
        asked_at time when it came
        sheet whole impression of the run
        unit text printing unit
        scan_id text scan that an OK sheet names
        what text event, alarm or job that it names
        accepted flag whether it was done
        """,
    ),
    table(
        "alarms",
        "alarm from beginning to end",
        """
        run_id text run of the press when it began
        code text alarm
        unit text printing unit
        zone whole ink key zone, from 1
        began_at time when it began
        began_sheet whole impression of the run then
        ended_at time when it was gone; empty: it stood at the end of the record
        count whole how often it was raised
        latched flag whether it stays until somebody acknowledges it
        text text what it says
        remedy text what to do
        """,
    ),
    table(
        "notes",
        "note or fault that was told, of a reading or a proposal",
        """
        run_id text run of the press
        told_at time when it was told
        sheet whole impression of the run
        scan_id text scan
        proposal_id text proposal that carried it; empty: the reading did
        unit text the proposal's unit
        code text note
        zones text zones, from 1, with blanks between them
        text text what it says
        remedy text what to check
        """,
    ),
    table(
        "refused",
        "input that was refused and thing wrong with it",
        """
        run_id text run of the press
        refused_at time when it came
        topic text topic
        id text its id; empty: it could not be read
        field text member that was wrong
        value text what stood there
        expected text what should have
        """,
    ),
    table(
        "jobs",
        "job message that was taken, and unit; a file that begins within a run has the job first",
        """
        run_id text run of the press
        job_id text job
        phase text phase that it asks for
        told_at time when it came
        condition text printing condition
        status text densitometric status of the aims
        polarised flag whether aims are polarised
        paper_relative flag whether aims are relative to paper
        unit text printing unit
        ink text its ink
        """,
    ),
    table(
        "starts",
        "start of the service or of a file",
        """
        run_id text run of the press, if one went on
        started_at time when
        press text press
        core_version text software
        fingerprint text interpreter, platform and solver
        instance text instance
        config_sha256 text digest over the canonical form of the configuration
        """,
    ),
    table(
        "calibrations",
        "start and unit",
        """
        run_id text run of the press, if one went on
        started_at time when
        unit text printing unit
        blade_id text blade
        calibrated_on text date
        expires_on text date
        uncertainty_um real uncertainty of the gap, um
        min_gap_um real least gap, um
        valid flag whether it had not expired
        """,
    ),
    table(
        "journals",
        "journal file",
        """
        file text name of the file
        rows whole rows that hold
        genesis text hash of the file before it
        head text hash of the last row
        sound flag whether no fault was found
        fault text first fault
        """,
    ),
)
