"""The sections of who gets alarms, and of who watches over the station."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field

from daemon.config.fields import SecretPath, Section, clock_time, whole

_CLOCK_TIME = "hours and minutes such as '07:00'"


def _some(value: tuple[str, ...]) -> tuple[str, ...]:
    if not value:
        raise ValueError("it names no time")
    return value


class Notify(Section):
    """`[notify]`: alarms and news sent to people; without the section, to nobody.

    Times of day are those of `station.timezone`.

    Attributes:
        urls_file: File of the addresses, one a line, with what each gets.
        digest_at: When alarms of low priority are sent, all in one message.
        quiet_from: From when on nothing is sent that can wait: news and alarms of low priority.
        quiet_until: Until when; equal to `quiet_from` for no quiet hours.
        repeat_every_min: How often an alarm of high priority is sent again
            until a person acknowledges it or it clears, minutes.
        at_most_per_h: Messages to one address within an hour; the rest waits.
    """

    urls_file: SecretPath = Field(description="the path of a file of addresses, one a line")
    digest_at: Annotated[
        tuple[Annotated[str, AfterValidator(clock_time)], ...], AfterValidator(_some)
    ] = Field(("08:00",), strict=False, description="a list of times such as ['08:00', '17:30']")
    quiet_from: Annotated[str, AfterValidator(clock_time)] = Field("22:00", description=_CLOCK_TIME)
    quiet_until: Annotated[str, AfterValidator(clock_time)] = Field(
        "07:00", description=_CLOCK_TIME
    )
    repeat_every_min: int = whole(1, 1440, "minutes", 30)
    at_most_per_h: int = whole(1, 1000, "messages", 12)


class Heartbeat(Section):
    """`[heartbeat]`: an address that is called again and again while the station measures.

    Whoever answers there raises the alarm that a dead station cannot send.

    Attributes:
        url_file: File that holds the address alone.
        every_s: Seconds between two requests.
    """

    url_file: SecretPath = Field(description="the path of a file that holds the address alone")
    every_s: int = whole(10, 86_400, "seconds", 60)
