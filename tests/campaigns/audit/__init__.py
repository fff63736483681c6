"""An audit of what the station states, with a truth of its own.

What is true comes from this package alone: seawater from the `gsw` library,
solutions from a temperature law of their own, probes and batches from a few
lines written here.  The station is driven from outside, by samples and
commands, and judged by the readings and events that come out.
"""
