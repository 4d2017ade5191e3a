"""Tables of what was read and counted."""

from inksteward.reporting.columns import table

MEASURED = (
    table(
        "scans",
        "sheet that was read, unit and zone",
        """
        run_id text run of the press
        phase text opening, makeready, run (after the OK sheet) or stopped
        scan_id text scan
        sheet whole impression of the run
        read_at time when the service had read it
        taken_at time when the instrument says it measured
        side text front or back
        instrument_id text instrument
        extent text full, or part of a strip
        unit text printing unit
        ink text its ink
        zone whole ink key zone, from 1
        density_d real density of the solid, D; empty: not read
        sigma_d real standard deviation of that density, D
        patches whole patches it comes from
        aim_d real aim, D; empty: not controlled
        low_d real lower end of the tolerance, D
        high_d real upper end of the tolerance, D
        in_tolerance flag whether the zone was in tolerance; empty: not read
        predicted_settled_d real where it settles if nobody moves anything more, D
        """,
    ),
    table(
        "patches",
        "patch of a scan and filter",
        """
        run_id text run of the press
        scan_id text scan
        sheet whole impression of the run
        patch whole index in the scan, from 0
        x_mm real centre, from the strip's origin, mm
        kind text solid, tint, overprint, grey or paper
        inks text inks in it, joined by +
        tone_pct real tone value by the file, percent
        filter text filter, or a spot ink's id; empty: missed, or read as a spectrum
        density_d real density through it, D
        set_aside text why it was not used; empty: it was
        """,
    ),
    table(
        "spectra",
        "patch of a scan and wavelength",
        """
        run_id text run of the press
        scan_id text scan
        sheet whole impression of the run
        patch whole index in the scan, from 0
        wavelength_nm whole wavelength, nm
        reflectance real spectral reflectance factor
        """,
    ),
    table(
        "counter",
        "count that the service took",
        """
        run_id text run of the press
        phase text phase of the run
        counted_at time when it came
        sheet whole impression of the run
        speed_sph real speed, sheets per hour
        printing flag whether the press printed
        fountain_turning flag whether the fountain roller turned; empty: nobody says
        good flag whether sheets were good; empty: nobody says
        """,
    ),
    table(
        "positions",
        "read-back of a unit and zone; unchanged ones between two ticks are not in the record",
        """
        run_id text run of the press
        read_at time when it came
        sheet whole impression at which it was read
        unit text printing unit
        zone whole ink key zone, from 1
        opening_pct real opening, percent of key travel
        referenced flag whether the key knows where it is
        sweep_pct real sweep of the unit's fountain roller, percent
        moving flag whether keys of the unit were moving
        blade_id text blade
        command_id text command that was finished or refused last
        """,
    ),
    table(
        "waste",
        "stretch between two counts",
        """
        run_id text run of the press
        phase text phase of the run at its end
        counted_at time when its end was counted
        from_sheet whole impression at its beginning
        to_sheet whole impression at its end
        printed_sheets whole sheets printed
        not_good_sheets whole of them: the counter said not good
        not_told_sheets whole of them: nobody said whether good
        out_sheets whole of them: the last reading had a zone out of tolerance
        unread_sheets whole of them: before the first reading of the run
        """,
    ),
)
