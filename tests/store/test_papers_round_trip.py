"""Drafts, reviews and attachments come back as they were entered, on both databases."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from calfleet.errors import RecordRefused, UnknownName
from calfleet.records import (
    AttachedTo,
    Attachment,
    Draft,
    DraftSigned,
    Review,
    ReviewOutcome,
)
from calfleet.store import paper_facts
from calfleet.store.engine import open_engine
from calfleet.store.queries import audit, papers
from calfleet.store.work import Work

AT = datetime(2026, 2, 3, 9, 0, 0, 123456, tzinfo=UTC)
FIRST = Draft("D2026-0001", "PDS-1", {"tag": "PDS-1", "humidity": "0.40", "runs": [1, None]})
SECOND = replace(FIRST, number="D2026-0002", replaces="D2026-0001", note="Δ complete")
PAPER = Attachment(
    AttachedTo.CERTIFICATE, "IN-1", "ab" * 32, 2**33, "application/pdf", "ü.pdf", "as received"
)


@pytest.fixture
def engine(database_url: str, shop: Any) -> Iterator[Engine]:
    made = open_engine(database_url)
    with work(made) as unit:
        shop.add_all(unit)
        unit.commit()
    yield made
    made.dispose()


def work(engine: Engine) -> Work:
    return Work(engine, actor="P2", at=AT, action="a", subject="s")


def entered(engine: Engine, *adds: Callable[[Work], None]) -> None:
    with work(engine) as unit:
        for add in adds:
            add(unit)
        unit.commit()


def test_drafts_and_what_became_of_them(engine: Engine) -> None:
    entered(
        engine,
        lambda w: paper_facts.add_draft(w, FIRST),
        lambda w: paper_facts.add_draft(w, SECOND),
        lambda w: paper_facts.add_signature(w, DraftSigned("D2026-0002", "C2")),
    )
    with Session(engine) as session:
        first, second = papers.drafts(session)
        (signed,) = papers.signatures(session)
    assert first == papers.HeldDraft(FIRST, AT, "P2", None, "D2026-0002")
    assert second == papers.HeldDraft(SECOND, AT, "P2", "C2", None)
    assert not first.open
    assert not second.open
    assert signed == papers.HeldSignature(DraftSigned("D2026-0002", "C2"), AT, "P2")


def test_reviews_in_order_of_reading(engine: Engine) -> None:
    returned = Review("C2", 1, ReviewOutcome.RETURNED, "P2", date(2026, 2, 3), "seal missing")
    accepted = Review("C2", 2, ReviewOutcome.ACCEPTED, "P3", date(2026, 2, 4))
    entered(
        engine,
        lambda w: paper_facts.add_review(w, accepted),
        lambda w: paper_facts.add_review(w, returned),
    )
    with Session(engine) as session:
        held = papers.reviews(session)
    assert [h.review for h in held["C2"]] == [returned, accepted]
    assert {(h.recorded_at, h.recorded_by) for h in held["C2"]} == {(AT, "P2")}


def test_attachments_of_a_certificate_and_a_calibration(engine: Engine) -> None:
    other = replace(PAPER, to=AttachedTo.CALIBRATION, key="C2", note="")
    entered(
        engine,
        lambda w: paper_facts.add_attachment(w, PAPER),
        lambda w: paper_facts.add_attachment(w, other),
    )
    with Session(engine) as session:
        assert [h.attachment for h in papers.attachments(session)] == [PAPER, other]


def test_the_shop_holds_one_of_each_kind_of_binding(filled: Engine) -> None:
    with Session(filled) as session:
        held = papers.attachments(session)
        assert papers.bound_numbers(session, AttachedTo.EVENT) == ["E2026-001", "E2026-002"]
        assert papers.bound_numbers(session, AttachedTo.CROSS_CHECK) == ["X2026-001"]
    assert [(str(h.attachment.to), h.attachment.key) for h in held] == [
        ("certificate", "IN-1"),
        ("calibration", "C2"),
        ("event", "E2026-001"),
        ("cross check", "X2026-001"),
    ]


def test_every_paper_has_the_digest_that_the_trail_noted(filled: Engine) -> None:
    with Session(filled) as session:
        noted = [f for e in audit.entries(session) for f in e.facts()]
        now = list(audit.all_facts(session))
    kinds = {"draft", "draft signed", "review", "attachment"}
    papers_noted = sorted(f for f in noted if f[0] in kinds)
    assert len(papers_noted) == 3 + 1 + 2 + 4
    assert sorted(f for f in now if f[0] in kinds) == papers_noted


@pytest.mark.parametrize(
    "add",
    [
        lambda w: paper_facts.add_draft(w, replace(FIRST, tag="PDS-9")),
        lambda w: paper_facts.add_draft(w, replace(FIRST, replaces="D9")),
        lambda w: paper_facts.add_signature(w, DraftSigned("D9", "C2")),
        lambda w: paper_facts.add_review(
            w, Review("C9", 1, ReviewOutcome.ACCEPTED, "P2", AT.date())
        ),
        lambda w: paper_facts.add_attachment(w, replace(PAPER, key="IN-9")),
        lambda w: paper_facts.add_attachment(w, replace(PAPER, to=AttachedTo.EVENT, key="E9")),
    ],
)
def test_what_is_not_there_is_named(engine: Engine, add: Callable[[Work], None]) -> None:
    with pytest.raises(UnknownName), work(engine) as unit:
        add(unit)


def test_a_draft_is_replaced_once_and_a_calibration_signed_once(engine: Engine) -> None:
    entered(
        engine,
        lambda w: paper_facts.add_draft(w, FIRST),
        lambda w: paper_facts.add_draft(w, SECOND),
        lambda w: paper_facts.add_signature(w, DraftSigned("D2026-0002", "C2")),
    )
    for add in (
        lambda w: paper_facts.add_draft(w, replace(SECOND, number="D2026-0003")),
        lambda w: paper_facts.add_signature(w, DraftSigned("D2026-0001", "C2")),
    ):
        with pytest.raises(RecordRefused), work(engine) as unit:
            add(unit)
