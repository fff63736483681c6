"""A mixing reservoir and its probe, made of equations: water with a known truth.

Nothing here is imported from the service, and the service imports nothing from
here: the formulas below are written from their published sources a second time,
so that they can prove the service wrong.
"""
