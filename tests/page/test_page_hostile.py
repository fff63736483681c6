"""Whatever a record holds is shown by the page, and only shown."""

from __future__ import annotations

from html import unescape

from hypothesis import given
from hypothesis import strategies as st

from daemon.entries import JSON, Follower
from daemon.page.healthz import health
from daemon.page.metrics import exposition
from daemon.page.now.now_page import now_page
from daemon.page.view import AlarmView, ReservoirView
from tests.page.outline_parts import ATTRIBUTES, TAGS, read
from tests.page.page_parts import alarm_view, display_settings, reservoir_view, station_view

WORDS = st.one_of(
    st.text(st.characters(codec=None), max_size=60),
    st.sampled_from(
        [
            "<script>alert(1)</script>",
            '"><img src=x onerror=alert(1)>',
            "</style></title><h3>",
            "' onmouseover='x",
            "&lt;b&gt;&amp;&#60;",
            "\u202e\u0000\x1b[2J",
            "half a pair: \ud800",
        ]
    ),
)


@given(WORDS, WORDS, WORDS)
def test_no_text_is_taken_for_the_page_itself(name: str, word: str, trouble: str) -> None:
    """Whatever an instrument, a command or a name says is shown, and only shown."""
    facts: dict[str, JSON] = {
        "batch": word,
        "advice": word,
        "stable_at": word,
        "expected_ready_at": word,
        "expected_ready_low": word,
        "expected_ready_high": word,
        "forecast_note": word,
        "probes_health": {word: word},
    }
    view = station_view(
        reservoir_view(name, facts=facts),
        alarms=(alarm_view(name, name=word, why=word, do=word), AlarmView(name, word, word, word)),
        followers=(Follower(word or "mqtt", 3, 400.0, error=word or "away"),),
    )
    for each in (
        view,
        station_view(ReservoirView(display_settings(name), None, None), trouble=trouble),
    ):
        page = read(each)
        assert TAGS >= page.tags
        assert ATTRIBUTES >= page.attributes
        assert [("".join(c if c.isprintable() else " " for c in name))] == page.labels
    assert ("".join(c if c.isprintable() else " " for c in word)) in read(view).text


@given(
    st.dictionaries(
        st.sampled_from(
            ["salinity", "salinity_u", "flag", "age_h", "phase", "time", "temperature_C"]
        ),
        st.none()
        | st.booleans()
        | st.floats(allow_nan=True)
        | st.text(max_size=9)
        | st.lists(st.integers(), max_size=2),
    )
)
def test_no_snapshot_breaks_the_page(facts: dict[str, JSON]) -> None:
    """A snapshot that another version wrote is shown as far as it goes."""
    view = station_view(reservoir_view(facts=facts))

    assert "mix-1" in unescape(now_page(view))
    assert health(view)[0]
    for accept in ("", "application/openmetrics-text"):
        assert exposition(view, accept)[0]


def test_what_a_publisher_fails_with_is_shown_as_text() -> None:
    """A broker's own words may hold anything; the name of the publisher likewise."""
    said = "<b>refused</b> & gone"
    view = station_view(
        followers=(Follower("mqtt", 3, 400.0, error=said), Follower("influx", 0, 0.0))
    )

    assert "mqtt is 3 entries behind: <b>refused</b> & gone" in read(view).text
    assert "<b>" not in now_page(view)
    assert "influx" not in read(view).text
