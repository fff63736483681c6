"""A library of its own for calibrating probes; nothing of the service is imported here.

It is pure: no clock, no file, no socket.  Readings bring monotonic seconds, acts
bring UTC, and what comes out at the end is one record of plain data.

    from calibration import (
        bench, history, model, points, references, routine, serialisation, steadiness,
    )

    instrument = model.Instrument("ct-1", span_mS_cm=100.0, resolution_mS_cm=0.01)
    in_force = history.in_force(records, "ct-1", now)            # records as read back
    plan = bench.Plan(
        id="ct-1-2026-03-02",
        instrument=instrument,
        references=(
            references.air(),
            references.published("kcl-12-88", references.ReferenceSolution("A17", 0.5)),
            references.own_table("standard 53 mS/cm", {20.0: 48.2, 25.0: 53.0},
                                 references.ReferenceSolution("B4", 1.0)),
        ),
        before=in_force.calibration if in_force else model.uncalibrated(instrument),
        today="2026-03-02",
        thermometer=points.Thermometer("reference thermometer 3", 0.1),
    )
    run = routine.Routine(plan)
    show(run.act(bench.Act(bench.ActKind.START, at=now, by="night shift")))
    show(run.act(bench.Act(bench.ActKind.CONFIRM)))            # rinsed, immersed, stirred
    show(run.read(steadiness.Indication(t_s, raw_mS_cm, raw_C)))  # every reading, while it runs

Outputs are `bench.Message`, `SettlingProgress`, `Captured`, `Judged` and, last, `Saved`: write
`serialisation.to_json(saved.record)` down in one transaction and the new calibration is in
force; until then the old one is, so an abort or a crash leaves nothing half done.
With `adjust=False` the plan is a check and the record a `CheckRecord`.

A reading is corrected by `calibration.apply(raw_mS_cm, raw_C)`, and its standard uncertainty is
`calibration.salinity_u(raw_mS_cm, raw_C, reading_u_mS_cm, reading_u_C)`, which
keeps what the cell constant shares with the thermometer.  A caller with sensitivities of
its own passes them to `calibration.combined_u`.

`history` returns what was in force when and what is held, `ageing` its uncertainty by
now, `due_dates` where the cell constant drifts and when the next is due, and `settlement`
whether a check settles one that is held; `report.report(record, records)` prints one of them.
"""
