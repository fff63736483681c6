"""What hands do to probe and water, many times over, judged against the truth.

    python -m tests.campaigns.hands --workers 2

Twenty-five things, 40 draws each, and 100 ordinary batches.  Volume, flow, probe, sampling, salt,
weather and the keeper's patience are drawn; where the station asks, one keeper in two answers.
Exit 0, or 1 when a limit is not kept.
"""
