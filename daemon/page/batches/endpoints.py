"""What programs may ask of batches and lots."""

from __future__ import annotations

from dataclasses import dataclass

from daemon.entries import JSON
from daemon.mixing.batch.batch_record import BatchRecord
from daemon.page.api.endpoint import (
    Arguments,
    Endpoint,
    NotThereError,
    Parameter,
    Text,
    Whole,
)
from daemon.page.batches.batch_json import curve_object, lot_object, page_object, record_object
from daemon.page.batches.batch_schemas import BATCHES, CURVE, LOTS, RECORD
from daemon.page.batches.batch_source import POINTS, BatchSource
from daemon.page.request import Request

GREATEST_SEQ = 2**53 - 1
"""The greatest whole number that every JSON reader takes."""
PER_PAGE, MOST_PER_PAGE = 50, 200
FEWEST_POINTS, MOST_POINTS = 10, 4000
LONGEST_ID = 200
BATCH = Parameter("batch", Text(LONGEST_ID), "Id of the batch.", required=True, place="path")


def endpoints(source: BatchSource) -> tuple[Endpoint, ...]:
    """Return the endpoints of batches and lots."""
    found = _Batches(source)
    return (
        Endpoint(
            "/api/batches",
            "Every batch, the newest first, page by page.",
            (
                Parameter("before", Whole(0, GREATEST_SEQ), "As `older` or `newer` says it."),
                Parameter("limit", Whole(1, MOST_PER_PAGE), "So many.", default=PER_PAGE),
                Parameter("reservoir", Text(), "Only of this one."),
            ),
            BATCHES,
            found.page,
        ),
        Endpoint(
            "/api/batches/{batch}",
            "The record of a batch; its events are under /api/events.",
            (BATCH,),
            RECORD,
            found.record,
        ),
        Endpoint(
            "/api/batches/{batch}/curve",
            "The salinity of a batch from the moment of salt, with extremes and gaps kept.",
            (
                BATCH,
                Parameter(
                    "points",
                    Whole(FEWEST_POINTS, MOST_POINTS),
                    "About so many; edges of gaps come on top.",
                    default=POINTS,
                ),
            ),
            CURVE,
            found.curve,
        ),
        Endpoint("/api/lots", "What is known of each lot of salt mix.", (), LOTS, found.lots),
    )


@dataclass(frozen=True, slots=True)
class _Batches:
    source: BatchSource

    def page(self, request: Request, given: Arguments) -> JSON:
        before, limit, reservoir = (given[name] for name in ("before", "limit", "reservoir"))
        page = self.source.page(
            before if isinstance(before, int) and before else None,
            limit if isinstance(limit, int) else PER_PAGE,
            reservoir if isinstance(reservoir, str) else None,
        )
        return page_object(page, self.source.present(request))

    def record(self, request: Request, given: Arguments) -> JSON:
        record = self._record(given)
        setup = self.source.setup(record, self.source.lot_numbers())
        return record_object(record, setup, self.source.present(request))

    def curve(self, _: Request, given: Arguments) -> JSON:
        record, points = self._record(given), given["points"]
        curve = self.source.curve(record, points if isinstance(points, int) else POINTS)
        return curve_object(record, curve, self.source.setup(record))

    def lots(self, _: Request, __: Arguments) -> JSON:
        return {"lots": [lot_object(each) for each in self.source.histories()]}

    def _record(self, given: Arguments) -> BatchRecord:
        batch = str(given["batch"])
        record = self.source.record(batch)
        if record is None:
            raise NotThereError(f"there is no batch {batch!r}; /api/batches names those there are")
        return record
