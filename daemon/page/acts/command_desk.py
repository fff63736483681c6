"""Commands that come over the page: into the inbox, and their answers once they are known.

Off unless the configuration lists the verbs that may be sent.  Measuring alone carries a command
out; here it is checked, limited in rate and written into the inbox.  The id that a form
carries was made when it was shown, so that one sent twice is carried out once.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field
from http import HTTPStatus
from threading import Lock

from daemon.entries import JSON, Event
from daemon.journal.allowance import TOO_MANY, Allowance
from daemon.journal.command_format import BadRequestError
from daemon.journal.errors import JournalError
from daemon.journal.inbox import CannotBeSentError, Inbox
from daemon.page.acts.access import Access, OpenAccess, Visitor
from daemon.page.acts.answers import (
    Answer,
    CommandStatus,
    ReplySource,
    answer_for,
    answer_url,
    status_of,
)
from daemon.page.acts.form_data import (
    body_of,
    fields_of,
    fields_of_press,
    foreign,
    own_path,
    request_of,
    surely_ours,
)
from daemon.page.acts.forms import (
    NOTHING,
    Form,
    Press,
    arguments_of,
    make_form,
    new_form,
    place_of,
    press_id,
    press_of,
    texts_of,
)
from daemon.page.acts.kinds import KINDS, FormKind
from daemon.page.acts.names import BAD_NAME, clean_name, name_cookie
from daemon.page.acts.offers import Offer
from daemon.page.acts.sessions import same_secret
from daemon.page.request import Request

FOREIGN = (
    "this was sent from another page than this one, and is not taken; where something stands in"
    " front of the page, it must pass on the name in the request (Host)"
)
OLD_FORM = (
    "this form is from before you signed in, or from before publishing was last started; nothing"
    " was sent: check it, and send it once more"
)
NAME_FIRST = "nothing was sent yet: your name is needed, for the record; it is asked for once"
CHECK = "nothing was sent yet: correct what is marked"
NAME_IS_LOGIN = "the name in the record is that of your login; it is not to be typed"
NO_SUCH_FORM = "there is no such form, or its command is not allowed here (page.commands)"


@dataclass(frozen=True, slots=True)
class Sent:
    """A form was taken.

    Attributes:
        location: Where its answer is shown.
        cookies: Headers that the browser is to keep.
    """

    location: str
    cookies: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class NotSent:
    """A form was not taken.

    Attributes:
        status: How it is refused.
        why: As a sentence.
        visitor: Who sent it.
        form: The same again, with what was typed and what is wrong; None where it cannot be.
        here: The page that it came from.
    """

    status: HTTPStatus
    why: str
    visitor: Visitor
    form: Form | None = None
    here: str = "/act"


@dataclass(frozen=True, slots=True)
class CommandDesk:
    """Takes what is posted; safe to be called by several threads.

    Attributes:
        allowed: Verbs that may be sent.
        reservoirs: Names of all.
        inbox: Where commands go.
        journal: Where answers come from.
        access: Who may send them.
        kinds: Every form there is, by name.
        clock: Monotonic seconds.
        make_id: Gives an id unlike any other.
    """

    allowed: tuple[str, ...]
    reservoirs: tuple[str, ...]
    inbox: Inbox
    journal: ReplySource
    access: Access = field(default_factory=OpenAccess)
    kinds: Mapping[str, FormKind] = field(default_factory=lambda: KINDS)
    clock: Callable[[], float] = time.monotonic
    make_id: Callable[[], str] = lambda: secrets.token_hex(12)
    _allowance: Allowance = field(default_factory=Allowance, init=False)
    _lock: Lock = field(default_factory=Lock, init=False)

    def visitor(self, request: Request) -> Visitor:
        """Return who sits before a browser, and whether commands are taken from there."""
        return self.access.browser(request.environ)

    def forms(
        self, visitor: Visitor, offers: Iterable[Offer], here: str, answer: Answer | None = None
    ) -> list[Form]:
        """Return the forms of offers that may be sent; none for whoever may not act.

        Args:
            visitor: Who is to fill them in.
            offers: What makes sense now.
            here: Path of the page that they stand on.
            answer: What came of the last form of that page: what was refused is in it again.
        """
        if not visitor.may_act:
            return []
        return [self._form(visitor, each, here, answer) for each in self._allowed(offers)]

    def presses(self, offers: Iterable[Offer]) -> list[Press]:
        """Return the buttons of offers that may be sent, as far as they need nothing filled in.

        They are the same for every browser: who may not act learns it when pressing one.
        """
        return [
            press_of(each, self.kinds[each.kind])
            for each in self._allowed(offers)
            if not self.kinds[each.kind].fields
        ]

    def press_form(self, visitor: Visitor, here: str) -> dict[str, str]:
        """Return what the one form of a page carries that its buttons belong to.

        Args:
            visitor: Who presses them.
            here: Path of the page.
        """
        carried = {"page": self.make_id(), "here": here, "token": visitor.form_token}
        return carried | ({} if visitor.logged_in or not visitor.name else {"who": visitor.name})

    def answer(self, request: Request) -> Answer | None:
        """Return what came of a page's form: GET HERE?answer=ID; None where none was sent."""
        return answer_for(request, self.inbox, self.journal)

    def status_of(self, id_: str) -> CommandStatus:
        """Return what is known of a command."""
        return status_of(id_, self.inbox, self.journal)

    def take_form(self, request: Request) -> Sent | NotSent:
        """Take a form that a browser sent; one from another site goes no further."""
        environ = request.environ
        if foreign(environ):
            return NotSent(HTTPStatus.FORBIDDEN, FOREIGN, Visitor(HTTPStatus.FORBIDDEN, FOREIGN))
        visitor = self.access.browser(environ)
        try:
            posted = _posted(body_of(environ))
        except BadRequestError as exc:
            return NotSent(HTTPStatus.BAD_REQUEST, str(exc), visitor)
        here = own_path(posted.get("here", ""))
        if not visitor.may_act:
            return NotSent(visitor.status, visitor.why, visitor, here=here)
        kind = self.kinds.get(posted.get("kind", ""))
        if kind is None or kind.verb not in self.allowed:
            return NotSent(HTTPStatus.BAD_REQUEST, NO_SUCH_FORM, visitor, here=here)
        if not same_secret(posted.get("token", ""), visitor.form_token):
            again = make_form(kind, visitor, posted) if surely_ours(environ) else None
            return NotSent(HTTPStatus.FORBIDDEN, OLD_FORM, visitor, again, here)
        return self._take(environ, visitor, kind, posted | {"here": here})

    def take_json(
        self, posted: Mapping[str, JSON], visitor: Visitor
    ) -> tuple[str, bool, Event | None]:
        """Take a command of a tool; return its id, whether that is new, and its answer.

        Raises:
            BadRequestError: It is no command that may be sent.
            JournalError: It cannot be written.
        """
        if visitor.logged_in:
            if posted.get("who") not in (None, "", visitor.name):
                raise BadRequestError(NAME_IS_LOGIN)
            posted = {**posted, "who": visitor.name}
        return self._submit(posted)

    def within_rate(self) -> bool:
        """Return whether one more command may come now."""
        with self._lock:
            return self._allowance.take(self.clock())

    def _take(
        self,
        environ: Mapping[str, object],
        visitor: Visitor,
        kind: FormKind,
        posted: Mapping[str, str],
    ) -> Sent | NotSent:
        """Take a form whose sender may send it."""
        here = posted["here"]

        def not_sent(status: HTTPStatus, why: str, errors: Mapping[str, str] = NOTHING) -> NotSent:
            return NotSent(status, why, visitor, make_form(kind, visitor, posted, errors), here)

        if visitor.logged_in and "who" in posted:
            return not_sent(HTTPStatus.BAD_REQUEST, NAME_IS_LOGIN)
        if not self.within_rate():
            return not_sent(HTTPStatus.TOO_MANY_REQUESTS, TOO_MANY)
        who = visitor.name if visitor.logged_in else posted.get("who", visitor.name)
        arguments, errors = arguments_of(kind, posted)
        if not clean_name(who):
            errors["who"] = BAD_NAME if who else "this is missing"
        if errors:
            why = NAME_FIRST if [*errors] == ["who"] and not who else CHECK
            return not_sent(HTTPStatus.BAD_REQUEST, why, errors)
        head = {"id": posted.get("id", ""), "verb": kind.verb, "who": who}
        reservoir = posted.get("reservoir", "")
        try:
            id_, new, _ = self._submit({**head, "reservoir": reservoir, "facts": arguments})
        except (BadRequestError, CannotBeSentError) as exc:
            return not_sent(HTTPStatus.BAD_REQUEST, str(exc))
        except JournalError as exc:
            return not_sent(HTTPStatus.SERVICE_UNAVAILABLE, str(exc))
        kept = () if visitor.name else (self._name_cookie(environ, who),)
        place = place_of(kind, reservoir)
        return Sent(answer_url(here, id_, place, posted["kind"], repeated=not new), kept)

    def _name_cookie(self, environ: Mapping[str, object], name: str) -> tuple[str, str]:
        return name_cookie(name, secure=self.access.over_https(environ))

    def _submit(self, posted: Mapping[str, JSON]) -> tuple[str, bool, Event | None]:
        request, reservoir = request_of(posted, self.allowed, self.reservoirs)
        id_ = request.id or self.make_id()
        new = self.inbox.submit(id_, request.who, "page", request.verb, reservoir, request.facts)
        return id_, new, None if new else self.journal.answer_to(id_)

    def _allowed(self, offers: Iterable[Offer]) -> Collection[Offer]:
        return [each for each in offers if self.kinds[each.kind].verb in self.allowed]

    def _form(self, visitor: Visitor, offer: Offer, here: str, answer: Answer | None) -> Form:
        kind = self.kinds[offer.kind]
        typed: Mapping[str, str] = NOTHING
        of_this = answer is not None and answer.state == "refused" and answer.kind == offer.kind
        if of_this and answer is not None and answer.place == place_of(kind, offer.reservoir):
            typed = texts_of(answer.facts, {each.name for each in kind.fields})
        return new_form(offer, kind, visitor, self.make_id(), here, typed)


def _posted(body: bytes) -> dict[str, str]:
    """Return the fields of a form; for a button of one, what it carries too.

    Raises:
        BadRequestError: It is no form of ours.
    """
    posted = fields_of(body)
    value = posted.pop("press", "")
    if not value:
        return posted
    page = posted.pop("page", "")
    if not page:
        raise BadRequestError("the button is not of a page of this station; load it again")
    return {**posted, **fields_of_press(value), "id": press_id(page, value)}
