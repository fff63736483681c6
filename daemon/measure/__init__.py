"""The measuring process: probes in, journal out.

`main` wires it; `loop` waits for probes and feeds the station; `intake` takes commands from the
inbox; `recorder` writes what follows, with snapshots and checkpoints.  No threads.
"""
