"""The interface for programs: it is what it says of itself, whatever it is asked."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from schemathesis.checks import CheckFunction
from schemathesis.core.result import Ok
from schemathesis.specs.openapi.checks import positive_data_acceptance

from daemon.entries import JSON, Instant
from daemon.page.site import Site
from tests.page.journal_parts import record, site_over
from tests.page.page_parts import NOW, asked

ROOT = Path(__file__).parents[2]
OPENAPI = "/api/openapi.json"
POSITIVE = schemathesis.GenerationMode.POSITIVE
ASKED = settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    phases=(Phase.explicit, Phase.generate),
    suppress_health_check=[*HealthCheck],
)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """The page over a batch that was released."""
    path = tmp_path_factory.mktemp("api") / "journal.db"
    return site_over(path, record(path))


def document(site: Site) -> dict[str, Any]:
    """Its description of itself."""
    found = json.loads(asked(site.application, OPENAPI).body)
    assert isinstance(found, dict)
    return found


def answer(site: Site, path: str) -> Any:  # noqa: ANN401 - any JSON
    """What it answers, checked against its own description."""
    reply = asked(site.application, path)
    assert 200 == reply.status, reply.text
    found = json.loads(reply.body)
    operation = document(site)["paths"][path.partition("?")[0]]["get"]
    schema = operation["responses"]["200"]["content"]["application/json"]["schema"]
    Draft202012Validator(schema).validate(found)
    return found


def test_every_endpoint_keeps_its_description_whatever_it_is_asked(site: Site) -> None:
    """Made up from the description alone: never a 5xx, and each answer fits its schema."""
    schema = schemathesis.openapi.from_wsgi(OPENAPI, site.application)
    met = set[str]()
    for found in schema.get_all_operations():
        assert isinstance(found, Ok)
        operation = found.ok()

        def hold(case: schemathesis.Case[Any]) -> None:
            answer_ = case.call()
            # The description cannot say that one moment is to be before another.
            crossed = b"must be before 'to'" in answer_.content
            left_out: list[CheckFunction] = [positive_data_acceptance] if crossed else []
            case.validate_response(answer_, excluded_checks=left_out)
            met.add(case.path)

        # Nothing can be wrong with the parameters of what takes none.
        modes = [*schemathesis.GenerationMode] if operation.query else [POSITIVE]
        for mode in modes:
            ASKED(given(case=operation.as_strategy(generation_mode=mode))(hold))()

    assert set(document(site)["paths"]) == met


@pytest.mark.parametrize("noise", ["%ff", "%00", "a" * 2000, "-1", "1e9", "٣", "<b>", "2031-13-40"])
def test_no_value_of_any_parameter_brings_it_down(site: Site, noise: str) -> None:
    """It is answered, not there, or refused in the form of RFC 9457."""
    for path, methods in document(site)["paths"].items():
        place = re.sub(r"\{\w+\}", noise, path)
        for name in [each["name"] for each in methods["get"].get("parameters", ())] or ["unknown"]:
            reply = asked(site.application, f"{place}?{name}={noise}")
            kind = reply.headers["Content-Type"]

            assert (reply.status, kind) in [
                (200, "text/event-stream" if path == "/api/live" else "application/json"),
                *((code, "application/problem+json") for code in (400, 404, 503)),
            ]
            if reply.status != 200:
                assert {"type", "title", "status", "detail"} == set(json.loads(reply.body))


def test_the_present_state_is_that_of_the_journal(site: Site) -> None:
    """With the snapshot as every topic has it."""
    found = answer(site, "/api/station")
    (reservoir,) = found["reservoirs"]

    assert ("quarantine-wing", "mix-1", True) == (
        found["station"],
        reservoir["name"],
        reservoir["fresh"],
    )
    assert "ready" == reservoir["snapshot"]["phase"]
    assert 34.0 == pytest.approx(reservoir["snapshot"]["salinity"], abs=0.2)


def test_events_come_page_by_page_without_a_gap(site: Site) -> None:
    """Forwards and backwards they are the same."""

    def pages(first: str, follow: Callable[[int], str]) -> list[int]:
        seqs = list[int]()
        query = first
        while found := answer(site, f"/api/events?limit=3&{query}")["events"]:
            seqs += [each["seq"] for each in found]
            query = follow(seqs[-1])
        return seqs

    forwards = pages("after=0", lambda seq: f"after={seq}")
    backwards = pages("order=newest", lambda seq: f"order=newest&before={seq}")

    assert sorted(set(forwards)) == forwards == backwards[::-1]
    assert len(forwards) > 5


@pytest.mark.parametrize("query", ["kind=phase", "batch=none", "reservoir=mix-1&kind=batch"])
def test_events_are_chosen_by_what_they_are_about(site: Site, query: str) -> None:
    """By kind, batch and reservoir, alone and together."""
    wish = dict(each.split("=") for each in query.split("&"))
    everything: list[dict[str, JSON]] = answer(site, "/api/events?limit=500")["events"]

    assert [each for each in everything if wish.items() <= each.items()] == answer(
        site, f"/api/events?limit=500&{query}"
    )["events"]


def test_a_parameter_that_is_not_there_is_named_with_those_that_are(site: Site) -> None:
    """A spelling mistake is no wish for everything."""
    reply = asked(site.application, "/api/events?reservior=mix-1")

    assert 400 == reply.status
    assert "'reservior' is no parameter" in json.loads(reply.body)["detail"]


@given(st.text(max_size=12))
@settings(max_examples=30, deadline=None, suppress_health_check=[*HealthCheck])
def test_a_path_that_is_not_there_is_said_in_the_form_of_programs(site: Site, name: str) -> None:
    """Below /api/ nothing else is answered than JSON."""
    reply = asked(site.application, "/api/x" + "".join(f"%{byte:02x}" for byte in name.encode()))

    assert (404, "application/problem+json") == (reply.status, reply.headers["Content-Type"])


def test_without_a_journal_it_says_so(tmp_path: Path) -> None:
    """The state says what is the matter; what needs the journal is not there now."""
    application = site_over(tmp_path / "none.db", Instant(NOW, 0.0)).application
    state, events = asked(application, "/api/station"), asked(application, "/api/events")

    assert "nothing has been measured yet" in json.loads(state.body)["trouble"]
    assert (200, 503) == (state.status, events.status)


def test_the_guide_names_every_address_and_no_other(site: Site) -> None:
    """Whoever reads it knows what there is to be asked."""
    guide = (ROOT / "deploy/guides/programs.md").read_text(encoding="utf-8")

    assert sorted(document(site)["paths"]) == sorted(
        re.findall(r"^\| `(/api/\S+)` \|", guide, re.MULTILINE)
    )
