"""The simulators' command line: `python -m simulators list | play | record | repeat`."""

from __future__ import annotations

import argparse
import csv
import os
import signal
import sys
import textwrap
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from math import isfinite
from pathlib import Path
from types import FrameType
from typing import TextIO

from simulators.instrument import PER_MS_CM
from simulators.lines import LineError, SimulatedLine, Speaker
from simulators.records import DEFAULT_START, RecordError, TruthLog, read_rows, record, stamp
from simulators.scenarios import SCENARIOS
from simulators.speakers import RecordedInstrument, StageSpeaker
from simulators.stage import Scenario, ScenarioError, Stage

DONE, USAGE, UNAVAILABLE = 0, 2, 69
WIDTH = 80


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; return 0 done, 2 wrong usage, 69 a port or file that cannot be had."""
    asked = _parser().parse_args(arguments)
    try:
        run: Callable[[argparse.Namespace], None] = asked.run
        run(asked)
    except (ScenarioError, RecordError) as exc:
        return _complain(str(exc), USAGE)
    except LineError as exc:
        return _complain(str(exc), UNAVAILABLE)
    except OSError as exc:
        return _complain(f"{exc.filename or 'output'}: {exc.strerror}", UNAVAILABLE)
    return DONE


def _complain(sentence: str, code: int) -> int:
    sys.stderr.write(f"simulators: {sentence}\n")
    return code


def _list(asked: argparse.Namespace) -> None:
    for name in SCENARIOS if asked.scenario is None else (asked.scenario,):
        story = SCENARIOS[name]()
        takes = f"Takes {story.plays_s / 60.0:g} min of its time."
        lines = (story.tells, f"Expected: {story.expects}", takes)
        _say("\n".join([name, *(_indented(line) for line in lines)]))


def _indented(text: str) -> str:
    margin = " " * 4
    return textwrap.fill(text, WIDTH, initial_indent=margin, subsequent_indent=margin)


def _play(asked: argparse.Namespace) -> None:
    stage = Stage.setting(_scenario(asked), asked.seed)
    with ExitStack() as open_files:
        log = _truth(asked, open_files)
        speaker = StageSpeaker(
            stage,
            period_s=asked.period,
            free_running=asked.free_running,
            witness=_witness(log),
            witness_s=asked.truth_every,
        )
        _serve(asked, speaker, waits=asked.wait)


def _witness(log: TruthLog | None) -> Callable[[Stage], None]:
    """Return what says each action once and keeps the truth."""
    told = 0

    def look(stage: Stage) -> None:
        nonlocal told
        for action in stage.done[told:]:
            _say(str(action))
        told = len(stage.done)
        if log is not None:
            log(stage)

    return look


def _record(asked: argparse.Namespace) -> None:
    scenario = _scenario(asked)
    stage = Stage.setting(scenario, asked.seed)
    hours = scenario.lasts_s / 3600.0 if asked.hours is None else asked.hours
    with ExitStack() as open_files:
        out = open_files.enter_context(asked.out.open("w", newline="", encoding="utf-8"))
        rows = record(
            stage,
            hours=hours,
            period_s=asked.period,
            start=asked.start,
            pump=asked.pump,
            truth=_truth(asked, open_files),
        )
        csv.writer(out, lineterminator="\n").writerows(rows)
    _say(f"{asked.out}: {hours:g} h of {scenario.name} from {stamp(asked.start)}")


def _repeat(asked: argparse.Namespace) -> None:
    rows = read_rows(asked.file)
    speaker = RecordedInstrument(
        rows,
        factor=PER_MS_CM[asked.units],
        missing=b"ERR\r" if asked.missing == "err" else b"",
        at_end=lambda: _say(f"end: {asked.file}, {len(rows)} rows; the port stays open"),
    )
    _serve(asked, speaker, waits=asked.start == "opened")


def _serve(asked: argparse.Namespace, speaker: Speaker, *, waits: bool) -> None:
    line = SimulatedLine(
        asked.link, speaker, speed=asked.speed, waits_for_reader=waits, go=asked.go
    )

    def end(_number: int, _frame: FrameType | None) -> None:
        line.stop()

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, end)
    line.plug()
    _say(f"port: {asked.link}")
    line.serve()


def _scenario(asked: argparse.Namespace) -> Scenario:
    story = SCENARIOS[asked.scenario]()
    changes = {"units": asked.units, "compensation_percent_per_C": asked.compensation}
    return replace(story, character=replace(story.character, **changes))


def _truth(asked: argparse.Namespace, open_files: ExitStack) -> TruthLog | None:
    if asked.truth is None:
        return None
    out: TextIO = open_files.enter_context(asked.truth.open("w", encoding="utf-8"))
    return TruthLog(out)


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def _positive(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not (isfinite(value) and value > 0.0):
        msg = f"{text!r} is not a number above 0"
        raise argparse.ArgumentTypeError(msg)
    return value


def _time(text: str) -> datetime:
    try:
        time = datetime.fromisoformat(text)
    except ValueError as exc:
        msg = f"{text!r} is not an ISO 8601 time such as 2026-03-02T08:00:00Z"
        raise argparse.ArgumentTypeError(msg) from exc
    return time.replace(tzinfo=UTC) if time.tzinfo is None else time.astimezone(UTC)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog=os.environ.get("SIMULATORS_PROGRAM", "python -m simulators"),
        description="A mixing reservoir and its probe, for trying the service without water.",
        epilog="'brinewright simulate fleet' publishes as many stations; it is the service's own.",
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    listing = commands.add_parser("list", help="name the scenarios and what is expected of each")
    listing.add_argument("scenario", nargs="?", choices=tuple(SCENARIOS), metavar="SCENARIO")
    listing.set_defaults(run=_list)
    _add_play(commands.add_parser("play", help="play a scenario on a serial port"))
    _add_record(commands.add_parser("record", help="write a scenario as CSV, at once"))
    _add_repeat(commands.add_parser("repeat", help="say a CSV again on a serial port"))
    return parser


def _add_play(play: argparse.ArgumentParser) -> None:
    _add_story(play)
    _add_port(play)
    play.add_argument("--free-running", action="store_true", help="talk without being asked")
    play.add_argument("--wait", action="store_true", help="start when the port is opened")
    play.add_argument(
        "--truth-every", type=_positive, default=10.0, metavar="S", help="simulated s [10]"
    )
    play.set_defaults(run=_play)


def _add_record(recording: argparse.ArgumentParser) -> None:
    _add_story(recording)
    recording.add_argument("--out", type=Path, required=True, metavar="FILE.csv")
    recording.add_argument("--hours", type=_positive, metavar="H", help="[as the scenario lasts]")
    recording.add_argument("--start", type=_time, default=DEFAULT_START, metavar="TIME")
    recording.add_argument("--pump", action="store_true", help="add the column pump")
    recording.set_defaults(run=_record)


def _add_repeat(repeat: argparse.ArgumentParser) -> None:
    repeat.add_argument("file", type=Path, metavar="FILE.csv")
    _add_port(repeat)
    repeat.add_argument(
        "--start",
        choices=("opened", "now"),
        default="opened",
        help="first row when the port has been open for half a second, or at once [opened]",
    )
    repeat.add_argument(
        "--missing",
        choices=("silence", "err"),
        default="silence",
        help="what an empty field sounds like [silence]",
    )
    repeat.add_argument("--units", choices=tuple(PER_MS_CM), default="uS/cm")
    repeat.set_defaults(run=_repeat)


def _add_story(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("scenario", choices=tuple(SCENARIOS), metavar="SCENARIO")
    parser.add_argument("--seed", type=int, default=1, metavar="N")
    parser.add_argument(
        "--period", type=_positive, default=2.0, metavar="S", help="simulated s a reading [2]"
    )
    parser.add_argument("--truth", type=Path, metavar="FILE", help="write the truth as JSON lines")
    parser.add_argument("--units", choices=tuple(PER_MS_CM), default="uS/cm")
    parser.add_argument(
        "--compensation", type=_positive, metavar="PERCENT", help="%% per °C to 25 °C, linear"
    )


def _add_port(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--link", type=Path, required=True, metavar="PATH", help="of the port")
    parser.add_argument(
        "--speed", type=_positive, default=1.0, metavar="N", help="simulated s a real s [1]"
    )
    parser.add_argument("--go", type=Path, metavar="FILE", help="start once this file exists")


if __name__ == "__main__":
    sys.exit(main())
