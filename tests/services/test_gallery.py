"""The gallery: numbers that can be traced, pictures drawn and dropped, remarks kept once."""

from __future__ import annotations

import csv
import io
from datetime import timedelta
from pathlib import Path
from uuid import uuid4

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from server.errors import BadInput, Conflict
from server.jobs.gallery_drawing import PlateTask, draw_plates
from server.rendering.encode import content_hash, decode
from server.rendering.eye import RENDERER_VERSION
from server.rendering.features import floor_of, painters
from server.services import stock
from server.services.gallery import plates, remarks
from server.services.gallery.numbers import GalleryEye, PlateNumber, check_size, ladder, strip_of
from server.services.gallery.prepared import PreparedPlate
from server.storage.engine import Database
from server.storage.models import GalleryPlateRow, GalleryRemarkRow
from server.storage.pictures import picture_path
from tests import factories
from tests.factories import NOON

EYE = GalleryEye(7, "left", "dark", 61, "disc")
VARIANTS = [(kind, name) for kind, painter in painters().items() for name in painter.variants]
STRIP = strip_of("pale-disc", "temporal", EYE)


@pytest.mark.parametrize(("kind", "variant"), VARIANTS)
def test_a_number_says_everything_that_was_drawn(kind: str, variant: str) -> None:
    for number in strip_of(kind, variant, EYE):
        assert PlateNumber.parse(str(number)) == number


def test_a_number_reads_as_documented() -> None:
    number = PlateNumber("pale-disc", "temporal", 65, GalleryEye(7, "right", "medium", 50))
    assert str(number) == f"pale-disc.temporal.65.7rm50.p45.v{RENDERER_VERSION}"


@pytest.mark.parametrize(("kind", "variant"), VARIANTS)
def test_the_ladder_begins_at_the_floor_and_rises_to_the_top(kind: str, variant: str) -> None:
    rungs = ladder(kind, variant)
    assert 0 <= rungs[0] / 100 - floor_of(kind, variant) < 0.01
    assert list(rungs) == sorted(set(rungs))
    assert rungs[-1] == 100
    assert len(rungs) >= 4


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("squint.plain.65.7rm50.p45.v1", "known kinds: swollen-margin"),
        ("pale-disc.green.65.7rm50.p45.v1", "it has: diffuse, temporal"),
        ("pale-disc.temporal.101.7rm50.p45.v1", "outside 0 to 1"),
        ("pale-disc.temporal.65.0rm50.p45.v1", "1 to 999999"),
        ("pale-disc.temporal.65.7rm99.p45.v1", "8 to 95"),
        ("pale-disc.temporal.65.7rm50.x99.v1", "photograph, wide, disc, macula"),
        ("pale-disc.temporal.65.7rm50.p45.v999", "this program knows 1 to"),
        ("' OR 1=1", "one looks like pale-disc"),
        ("a" * 5000, "one looks like pale-disc"),
    ],
)
def test_a_number_that_cannot_be_drawn_is_named(text: str, words: str) -> None:
    with pytest.raises(BadInput, match=words):
        PlateNumber.parse(text)


def test_an_absurd_size_is_named() -> None:
    with pytest.raises(BadInput, match="512, 768, 1024, 1536"):
        check_size(100_000)


def test_one_task_draws_a_row_with_one_twin(tmp_path: Path) -> None:
    drawn = draw_plates(PlateTask(tuple(map(str, STRIP)), 512, tmp_path))
    assert [plate.number for plate in drawn] == [str(number) for number in STRIP]
    healthy = drawn[0]
    assert healthy.picture == healthy.twin
    assert {plate.twin for plate in drawn} == {healthy.picture}
    assert len({plate.picture for plate in drawn}) == len(STRIP)
    measures = [plate.truth["pale-disc"]["measure"] for plate in drawn]
    assert measures == sorted(measures)
    assert "pallor" not in healthy.outlines
    for plate in drawn[1:]:
        assert plate.outlines["pallor"], plate.number
    # At the floor itself an eye may fall a little short; above it none does.
    for plate in drawn[2:]:
        assert plate.truth["pale-disc"]["present"], plate.number
    for plate in drawn:
        data = picture_path(tmp_path, plate.picture).read_bytes()
        assert content_hash(data) == plate.picture
        assert decode(data).shape == (512, 512, 3)


def asked(session: Session, number: PlateNumber = STRIP[1]) -> GalleryPlateRow:
    plates.ask(session, [number], 512, NOON)
    return session.scalars(
        select(GalleryPlateRow).where(GalleryPlateRow.number == str(number))
    ).one()


def fake(number: str, picture: str, twin: str = "f" * 64) -> PreparedPlate:
    return PreparedPlate(number, picture, twin, 10, factories.truth_json(["pale-disc"]), {}, {})


def rows(session: Session) -> int:
    return session.scalar(select(func.count()).select_from(GalleryPlateRow)) or 0


class TestOrders:
    def test_what_is_asked_for_is_drawn_a_few_at_a_time_and_once(self, database: Database) -> None:
        with database.writing() as session:
            for _ in range(2):
                plates.ask(session, STRIP, 512, NOON)
            assert rows(session) == len(STRIP)
            first = plates.next_order(session, NOON)
            assert first is not None
            assert first.numbers == tuple(str(number) for number in STRIP[:3])
            plates.keep(
                session, first, [fake(n, f"{i:064x}") for i, n in enumerate(first.numbers)], NOON
            )
            second = plates.next_order(session, NOON)
            assert second is not None
            assert second.numbers == tuple(str(number) for number in STRIP[3:6])
            assert plates.look(session, STRIP[:1], 512)[0].state == "drawn"
            assert plates.look(session, STRIP[3:4], 512)[0].state == "waiting"

    def test_what_nobody_waits_for_any_more_is_not_drawn(self, database: Database) -> None:
        with database.writing() as session:
            asked(session)
            later = NOON + plates.WAITS + timedelta(seconds=1)
            assert plates.next_order(session, later) is None
            assert not plates.is_settled(session, [STRIP[1]], 512, later)
            plates.ask(session, [STRIP[1]], 512, later)
            assert plates.next_order(session, later) is not None

    def test_the_queue_is_bounded(self, database: Database) -> None:
        with database.writing() as session:
            for seed in range(1, 60):
                plates.ask(session, strip_of("naevus", "", GalleryEye(seed)), 512, NOON)
            assert rows(session) == plates.MOST_WAITING

    def test_a_picture_that_cannot_be_drawn_says_why(self, database: Database) -> None:
        with database.writing() as session:
            asked(session)
            order = plates.next_order(session, NOON)
            assert order is not None
            plates.note_failed(session, order, "ValueError: no")
            (plate,) = plates.look(session, [STRIP[1]], 512)
            assert (plate.state, plate.problem) == ("failed", "ValueError: no")
            assert plates.next_order(session, NOON) is None

    def test_the_least_recently_used_go_with_their_files(self, database: Database) -> None:
        with database.writing() as session:
            plates.ask(session, STRIP[:3], 512, NOON)
            order = plates.next_order(session, NOON)
            assert order is not None
            pictures = [f"{i:064x}" for i in range(1, 4)]
            for minutes, (number, picture) in enumerate(zip(order.numbers, pictures, strict=True)):
                plates.keep(session, order, [fake(number, picture)], NOON + timedelta(days=minutes))
            # The oldest is looked at again, so the second goes.
            plates.ask(session, STRIP[:1], 512, NOON + timedelta(days=9))
            gone = plates.prune(session, NOON + timedelta(days=9), keep_at_most=2)
            assert gone == [pictures[1]]  # the twin is still shown by the others
            assert rows(session) == 2
            assert stock.unused_pictures(session, [*pictures, "f" * 64]) == [pictures[1]]

    def test_pictures_of_another_renderer_are_dropped(self, database: Database) -> None:
        with database.writing() as session:
            row = asked(session)
            row.picture, row.twin, row.renderer_version = "a" * 64, "b" * 64, RENDERER_VERSION + 1
            session.flush()
            assert plates.prune(session, NOON) == ["a" * 64, "b" * 64]


class TestRemarks:
    number = str(STRIP[1])

    def test_a_remark_sent_again_is_kept_once(self, database: Database) -> None:
        with database.writing() as session:
            learner, ident = factories.guest(session), uuid4()
            for _ in range(3):
                remarks.remark(session, learner, ident, self.number, " Too pale \r\n", "Dr A", NOON)
            (said,) = remarks.remarks_of(session, learner, [self.number])
            assert (said.text, said.name) == ("Too pale", "Dr A")
            with pytest.raises(Conflict):
                remarks.remark(session, learner, ident, self.number, "Other words", "", NOON)

    def test_a_remark_is_listed_for_its_writer_only(self, database: Database) -> None:
        with database.writing() as session:
            writer, other = factories.guest(session), factories.guest(session)
            remarks.remark(session, writer, uuid4(), self.number, "Mine", "", NOON)
            assert remarks.remarks_of(session, other, [self.number]) == ()
            assert remarks.remarks_of(session, writer, [str(STRIP[2])]) == ()

    @pytest.mark.parametrize(
        ("text", "name", "words"),
        [
            ("  \n", "", "empty"),
            ("x" * 2001, "", "at most 2000"),
            ("fine", "y" * 61, "at most 60"),
        ],
    )
    def test_what_does_not_fit_is_named(
        self, database: Database, text: str, name: str, words: str
    ) -> None:
        with database.writing() as session:
            learner = factories.guest(session)
            with pytest.raises(BadInput, match=words):
                remarks.remark(session, learner, uuid4(), self.number, text, name, NOON)
            assert session.scalar(select(func.count()).select_from(GalleryRemarkRow)) == 0

    def test_the_table_can_be_read_back_and_runs_nothing(self, database: Database) -> None:
        """Cells that begin with = + - @ are formulas to a spreadsheet (OWASP, CSV injection)."""
        with database.writing() as session:
            learner = factories.guest(session)
            for minute, text in enumerate(['Says "pale",\nis not', "=HYPERLINK(1)"]):
                now = NOON + timedelta(minutes=minute)
                remarks.remark(session, learner, uuid4(), self.number, text, "@x", now)
        out = io.StringIO()
        with database.reading() as session:
            assert remarks.write_csv(session, out) == 2
        first, second = csv.DictReader(io.StringIO(out.getvalue(), newline=""))
        assert first["text"] == 'Says "pale",\nis not'
        assert (second["text"], second["name"]) == ("'=HYPERLINK(1)", "'@x")
        assert (first["kind"], first["variant"], first["severity"]) == (
            "pale-disc",
            "temporal",
            "0.40",
        )
        assert (first["seed"], first["side"], first["fundus"]) == ("7", "left", "dark")
        assert (first["age"], first["view"]) == ("61", "disc")
        assert first["renderer_version"] == str(RENDERER_VERSION)
