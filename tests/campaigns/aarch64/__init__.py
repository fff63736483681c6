"""The service on the processor of a Raspberry Pi, proven without one.

Packages are resolved for 64-bit ARM by pip, and recordings are replayed there under emulation.
How long an emulation takes says nothing about a real board, so no speed is reported.
"""
