"""Sections of a configuration as a draft: complete, valid, and marked where nothing is known.

A draft is text for a person.  Nothing here reads or writes a configuration that is in use.
"""

from daemon.probes.draft.section_draft import Answer, Draft, draft_faults, draft_section

__all__ = ["Answer", "Draft", "draft_faults", "draft_section"]
