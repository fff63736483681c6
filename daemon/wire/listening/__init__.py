"""What bytes of an unknown instrument look like, and which settings would read them: proposals.

A proposal is shown to a person, with what it is unsure of; nothing here configures anything.
"""
