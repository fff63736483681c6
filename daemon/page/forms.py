"""Forms for what makes sense now: a page of its own, which does not load again under the typing.

Each form carries an id made for it, so that one sent twice is carried out once, and the batch
that it was shown for, so that an old one does nothing to the next.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass

from daemon.entries import Phase
from daemon.journal.command_format import LONGEST_WHO
from daemon.mixing.alarm.transitions import ANNOUNCED, LONGEST_SHELF_S, TO_ACKNOWLEDGE, Life
from daemon.mixing.station.commands.context import LONGEST_TEXT
from daemon.page.healthz import staleness
from daemon.page.status_page import alarm_block, head, notice, phase_line, text
from daemon.page.view import Present, Seen, Shown

WHO = (
    f'<label>Your name <input name="who" required maxlength="{LONGEST_WHO}"'
    ' autocomplete="name"></label>'
)
HOURS = (
    '<label>For how many hours <input name="hours" type="number" required min="0.1"'
    f' max="{LONGEST_SHELF_S / 3600.0:g}" step="any"></label>'
)
REASON = f'<label>Why <input name="reason" required maxlength="{LONGEST_TEXT}"></label>'
LITRES = (
    '<label>Litres; all that is left when empty <input name="volume_l" type="number" min="0.1"'
    ' step="any"></label>'
)
REMARK = f'<label>Remark <input name="text" required maxlength="{LONGEST_TEXT}"></label>'
WHY = f'<label>Why <input name="why" maxlength="{LONGEST_TEXT}"></label>'
SURELY = '<label><input type="checkbox" required> This ends the batch without using it</label>'


@dataclass(frozen=True, slots=True)
class Offer:
    """One thing that may be asked now.

    Attributes:
        verb: What.
        says: On its button.
        reservoir: About which; empty for the station.
        about: Name and value of what it is about: an alarm or a batch.
        asks: Fields to be filled in, as HTML.
    """

    verb: str
    says: str
    reservoir: str
    about: tuple[str, str]
    asks: str = ""


def act_page(
    present: Present, allowed: Collection[str], secret: str, make_id: Callable[[], str]
) -> str:
    """Return the page of forms.

    Args:
        present: What there is to act on.
        allowed: Verbs that may be asked for.
        secret: What each form carries to be known as ours.
        make_id: Gives an id unlike any other.
    """

    def forms(offers: Iterable[Offer]) -> str:
        return "".join(_form(each, secret, make_id()) for each in offers if each.verb in allowed)

    def of_alarms(reservoir: str) -> list[str]:
        own = [each for each in present.alarms if each.reservoir == reservoir]
        return [alarm_block(each) + forms(about_alarm(each)) for each in own]

    parts = [
        head(f"Act - {present.station}"),
        f"<header><h1>{text(present.station)}: what may be done now</h1></header><main>",
        '<p><a href="/">Back, without doing anything</a></p>',
        notice("The journal cannot be read", present.trouble) if present.trouble else "",
        *of_alarms(""),
    ]
    for seen in present.reservoirs:
        name, old = text(seen.expected.name), "" if present.trouble else staleness(seen)
        parts += [
            f'<section aria-label="{name}"><h2>{name}</h2>',
            notice("What is asked now may have to wait", old) if old else "",
            *of_alarms(seen.expected.name),
            phase_line(seen, fresh=not old) if seen.picture else "",
            forms(about_batch(seen)),
            "</section>",
        ]
    at = f"{present.at:%Y-%m-%d %H:%M:%S} UTC"
    parts.append(
        f"</main><footer><p>As of {at}; load it anew for what is so later. What you send is on"
        " record under the name that you give.</p></footer></body></html>"
    )
    return "\n".join(part for part in parts if part)


def about_alarm(alarm: Shown) -> list[Offer]:
    """Return what may be done to an alarm, from where it stands."""
    try:
        state = Life(alarm.state)
    except ValueError:
        return []
    place, about = alarm.reservoir, ("name", alarm.name)
    found = []
    if state in TO_ACKNOWLEDGE:
        found.append(Offer("alarm.acknowledge", "Acknowledge: I have seen it", place, about))
    if state in (*ANNOUNCED, Life.SUPPRESSED):
        found.append(Offer("alarm.shelve", "Put it aside", place, about, HOURS + REASON))
    if state is Life.SHELVED:
        found.append(Offer("alarm.unshelve", "Bring it back", place, about))
    return found


def about_batch(seen: Seen) -> list[Offer]:
    """Return what may be done about a batch; of one that nobody measures, only a remark."""
    picture, name = seen.picture or {}, seen.expected.name
    batch, phase = str(picture.get("batch") or ""), picture.get("phase")
    if not batch:
        return []
    about, found = ("batch", batch), []
    if seen.fresh and phase in (Phase.VERIFYING, Phase.STALE):
        says = "Confirm: the water is clear and nothing lies on the bottom"
        found.append(Offer("batch.confirm", says, name, about))
    if seen.fresh and phase == Phase.READY:
        found.append(Offer("batch.use", "Note that it was used", name, about, LITRES))
    found.append(Offer("batch.note", "Write it into the record", name, about, REMARK))
    if seen.fresh:
        says = f"Discard {batch}"
        found.append(Offer("batch.discard", says, name, about, WHY + SURELY))
    return found


def _form(offer: Offer, secret: str, id_: str) -> str:
    hidden = {
        "token": secret,
        "id": id_,
        "verb": offer.verb,
        "reservoir": offer.reservoir,
        offer.about[0]: offer.about[1],
    }
    given = "".join(
        f'<input type="hidden" name="{name}" value="{text(value)}">'
        for name, value in hidden.items()
    )
    button = f"<p><button>{text(offer.says)}</button></p>"
    return f'<form method="post" action="/command">{given}{WHO}{offer.asks}{button}</form>'
