"""Since when a gauge is in doubt, in the light of other events, corrections and cross checks."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest

from calfleet.errors import RecordRefused
from calfleet.metrology.direction import Direction
from calfleet.metrology.units import PressureMode
from calfleet.records import (
    Certificate,
    CertificatePoint,
    CertificateWithdrawal,
    ErrorPoint,
    FoundBadKind,
    Gauge,
    GaugeEvent,
    GaugeStatus,
    Phase,
    StandardUsed,
)
from calfleet.traceability.event import CrossCheck, FoundBad
from calfleet.traceability.facts import ChainFacts
from calfleet.traceability.period import Compared, found_bad_events

D = Decimal
FIRST, SECOND, FOUND = date(2025, 1, 10), date(2026, 1, 10), date(2026, 7, 1)


def gauge(code: str) -> Gauge:
    return Gauge(
        code=code, revision=1, effective_on=date(2020, 1, 1), reason="", serial=code,
        description="gauge", status=GaugeStatus.IN_SERVICE, mode=PressureMode.GAUGE, unit="bar",
        range_low=D(0), range_high=D(10), resolution=D("0.001"), accuracy=D("0.1"),
        accuracy_basis="% of span", drift_per_year=D(0), temperature_coefficient=D(0),
        reference_temperature_c=D(20), use_corrections=True, tier=2, policy="R12",
    )  # fmt: skip


def certificate(
    number: str, of: str, on: date, *standards: tuple[str, str], error: str = "0"
) -> Certificate:
    return Certificate(
        number=number, gauge=of, laboratory="LAB", calibrated_on=on, issued_on=on, unit="bar",
        temperature_c=D(20), humidity=D("0.5"), adjusted=False,
        points=tuple(
            CertificatePoint(Phase.AS_FOUND, Direction.RISING, D(p), D(p) + D(error), D("0.01"),
                             D(2))
            for p in (0, 5, 10)
        ),
        standards=tuple(StandardUsed("", *one) for one in standards),
    )  # fmt: skip


def facts(*certificates: Certificate) -> ChainFacts:
    """A works of these certificates and their gauges."""
    return ChainFacts(
        {}, {}, {}, {}, {c.gauge: (gauge(c.gauge),) for c in certificates},
        {c.number: c for c in certificates}, {}, {},
    )  # fmt: skip


def lost(number: str, code: str, on: date = FOUND) -> GaugeEvent:
    return GaugeEvent(number, code, FoundBadKind.LOST, on, "P1")


def checked(
    code: str,
    with_certificate: str,
    against: str,
    its: str,
    on: date,
    *,
    apart: str = "0.002",
    at: tuple[str, ...] = ("0", "5", "10"),
    U: str = "0.005",
    entered_at: datetime | None = None,
) -> Compared:
    """A cross check in which the two gauges are ``apart`` in bar at each of ``at``."""
    points = tuple(
        CrossCheck(code, against, on, "bar", D(value) + D(apart), D(U), D(value), D(U))
        for value in at
    )
    return Compared("X1", code, with_certificate, against, its, on, points, entered_at)


TWO = (certificate("K1", "RG-1", FIRST), certificate("K2", "RG-1", SECOND))


def test_the_newest_calibration_before_the_finding_begins_the_period() -> None:
    found = found_bad_events(facts(*TWO), [lost("E1", "RG-1")])["E1"]
    assert (found.last_good.on, found.last_good.certificate) == (SECOND, "K2")
    assert found.by == "P1"


def test_a_calibration_made_with_a_gauge_found_bad_shows_nothing_good() -> None:
    """RG-2 was calibrated in the shop with RG-1, which was found bad: back to the one before."""
    chain = facts(
        *TWO,
        certificate("S1", "RG-2", FIRST),
        certificate("S2", "RG-2", date(2026, 3, 1), ("RG-1", "K2")),
    )
    alone = found_bad_events(chain, [lost("E2", "RG-2")])["E2"]
    assert alone.last_good.certificate == "S2"
    both = found_bad_events(chain, [lost("E1", "RG-1"), lost("E2", "RG-2")])
    assert both["E1"].last_good.certificate == "K2"
    assert both["E2"].last_good.certificate == "S1"
    assert both["E2"].last_good.how == (
        "calibration of 2025-01-10; not counted: S2, itself made with RG-1, found bad (E1)"
    )


def test_doubt_travels_through_every_tier_whatever_the_order_of_the_reports() -> None:
    """RG-1 -> RG-2 -> RG-3: with RG-1 in doubt, neither in-house certificate shows anything."""
    chain = facts(
        *TWO,
        certificate("S0", "RG-2", FIRST),
        certificate("S2", "RG-2", date(2026, 2, 1), ("RG-1", "K2")),
        certificate("T0", "RG-3", FIRST),
        certificate("T3", "RG-3", date(2026, 3, 1), ("RG-2", "S2")),
    )
    events = [lost("E3", "RG-3"), lost("E2", "RG-2"), lost("E1", "RG-1")]
    made = found_bad_events(chain, events)
    assert made == found_bad_events(chain, events[::-1])
    assert [made[n].last_good.certificate for n in ("E1", "E2", "E3")] == ["K2", "S0", "T0"]


def test_where_nothing_is_sound_the_newest_counts_and_says_so() -> None:
    chain = facts(*TWO, certificate("S2", "RG-2", date(2026, 3, 1), ("RG-1", "K2")))
    found = found_bad_events(chain, [lost("E1", "RG-1"), lost("E2", "RG-2")])["E2"]
    assert found.last_good.certificate == "S2"
    assert found.last_good.how.endswith("itself in doubt: itself made with RG-1, found bad (E1)")


def test_a_later_withdrawal_moves_the_beginning_back() -> None:
    withdrawn = replace(TWO[1], withdrawal=CertificateWithdrawal(date(2026, 8, 1), "wrong load"))
    found = found_bad_events(facts(TWO[0], withdrawn), [lost("E1", "RG-1")])["E1"]
    assert found.last_good.certificate == "K1"
    only = found_bad_events(facts(withdrawn), [lost("E1", "RG-1")])["E1"]
    assert only.last_good.on == SECOND
    assert only.last_good.how.startswith("its oldest calibration")
    with pytest.raises(RecordRefused, match="No certificate shows"):
        found_bad_events(facts(TWO[1]), [lost("E1", "RG-1", FIRST)])


def test_a_corrected_certificate_is_of_the_same_calibration() -> None:
    """On the day of that calibration a use on either issue falls under the event."""
    again = replace(
        certificate("K2-R1", "RG-1", SECOND), issued_on=date(2026, 2, 1), replaces="K2",
        replacement_reason="serial number",
    )  # fmt: skip
    chain = facts(*TWO, again)
    found = found_bad_events(chain, [lost("E1", "RG-1")])["E1"]
    assert found.last_good.certificate == "K2-R1"
    assert found.last_good.corrected == ("K2",)
    for number, touched in (("K2", True), ("K2-R1", True), ("K1", False)):
        assert found.touches(chain.certificates[number], number, SECOND) is touched


def test_uses_after_the_finding_count_until_the_gauge_is_calibrated_again() -> None:
    after = certificate("K3", "RG-1", FOUND + timedelta(30))
    chain = facts(*TWO, after)
    found = found_bad_events(chain, [lost("E1", "RG-1")])["E1"]
    assert found.used_until == after.calibrated_on
    old, new = chain.certificates["K2"], chain.certificates["K3"]
    for certificate_, days, touched in (
        (old, 0, True), (old, 10, True), (old, 30, True), (old, 31, False), (new, 30, False),
    ):  # fmt: skip
        day = FOUND + timedelta(days)
        assert found.touches(certificate_, certificate_.number, day) is touched, days
    assert found.fraction(FOUND + timedelta(10)) == 1
    never = found_bad_events(facts(*TWO), [lost("E1", "RG-1")])["E1"]
    assert never.touches(old, "K2", FOUND + timedelta(1000))


def test_errors_found_by_a_calibration_end_with_it() -> None:
    shown = certificate("K3", "RG-1", FOUND, error="0.4")
    event = GaugeEvent("E1", "RG-1", FoundBadKind.AS_FOUND, FOUND, "P1", "K3")
    found = found_bad_events(facts(*TWO, shown), [event])["E1"]
    assert found.used_until is None
    assert {p.error for p in found.points} == {D("0.4")}
    assert found.by == "P1, by certificate K3 of LAB"
    assert not found.touches(TWO[1], "K2", FOUND + timedelta(1))


def test_a_withdrawn_certificate_is_judged_by_what_it_should_have_stated() -> None:
    """By the points reported, else by the certificate that corrects it, else unknown."""
    event = GaugeEvent("E1", "RG-1", FoundBadKind.WITHDRAWN, FOUND, "P1", "K2")
    plain = found_bad_events(facts(*TWO), [event])["E1"]
    assert (plain.known, plain.constant, plain.certificate) == (False, True, "K2")
    corrected = replace(
        certificate("K2-R1", "RG-1", SECOND, error="0.2"), replaces="K2", replacement_reason="x"
    )
    by_other = found_bad_events(facts(*TWO, corrected), [event])["E1"]
    assert {p.error for p in by_other.points} == {D("0.2")}
    stated = replace(event, unit="mbar", points=(ErrorPoint(D(5000), D(70)),))
    assert found_bad_events(facts(*TWO, corrected), [stated])["E1"].points[0].error == 70
    assert plain.touches(TWO[1], "K2", FOUND + timedelta(99))
    assert not plain.touches(TWO[0], "K1", SECOND)


# --- cross checks -------------------------------------------------------------------------------

HALFWAY = date(2026, 4, 1)
OTHER = (certificate("O1", "RG-9", FIRST), certificate("O2", "RG-9", SECOND))


def since(found: dict[str, FoundBad], number: str = "E1") -> date:
    return found[number].last_good.on


def test_a_cross_check_in_which_both_agreed_bounds_the_period_of_either() -> None:
    check = checked("RG-1", "K2", "RG-9", "O2", HALFWAY)
    chain = facts(*TWO, *OTHER)
    for code in ("RG-1", "RG-9"):
        found = found_bad_events(chain, [lost("E1", code)], [check])
        assert since(found) == HALFWAY
        assert "the two agreed" in found["E1"].last_good.how
    apart = checked("RG-1", "K2", "RG-9", "O2", HALFWAY, apart="0.05")
    assert since(found_bad_events(chain, [lost("E1", "RG-1")], [apart])) == SECOND


def test_the_limit_is_the_root_of_the_squares_and_is_inside() -> None:
    """U = 3 and 4 give 5 (3-4-5 triangle, worked out by hand): 5 apart agree, more do not."""
    edge = CrossCheck("a", "b", HALFWAY, "bar", D(15), D(3), D(10), D(4))
    assert edge.agrees
    assert edge.en == pytest.approx(1)
    assert not replace(edge, value=D("15.001")).agrees
    both = Compared("X", "a", "K", "b", "L", HALFWAY, (edge, replace(edge, value=D("15.001"))))
    assert not both.agrees
    assert both.largest_en == pytest.approx(1.0002)
    turned = both.seen_from("b")
    assert (turned.gauge, turned.certificate, turned.against) == ("b", "L", "a")
    assert [p.en for p in turned.points] == [p.en for p in both.points]
    assert turned.seen_from("b") is turned


@pytest.mark.parametrize(
    ("at", "U", "begins"),
    [
        (("4.00", "12.00"), "0.03", "check"),
        (("0.00",), "0.03", "calibration"),  # nothing is seen at zero
        (("4.00", "8.00"), "0.03", "calibration"),  # the error at 10 bar lies outside its points
        (("4.00", "12.00"), "0.09", "calibration"),  # its limit, 0.127 bar, hides the error
    ],
)
def test_a_cross_check_counts_only_if_it_could_have_seen_the_errors(
    at: tuple[str, ...], U: str, begins: str
) -> None:
    """Worked out by hand: 0.10 bar at 10 bar against sqrt(2) U; 0.01 bar at 1 bar is below it."""
    found = GaugeEvent(
        "E1", "RG-1", FoundBadKind.AS_FOUND, FOUND, "P1", None, "bar",
        (ErrorPoint(D("1.00"), D("0.01")), ErrorPoint(D("10.00"), D("0.10"))),
    )  # fmt: skip
    points = tuple(
        CrossCheck("RG-1", "RG-9", HALFWAY, "bar", D(value), D(U), D(value), D(U)) for value in at
    )
    check = Compared("X1", "RG-1", "K2", "RG-9", "N1", HALFWAY, points)
    chain = facts(*TWO, certificate("N1", "RG-9", FIRST))
    good = found_bad_events(chain, [found], [check])["E1"].last_good
    assert good.on == (HALFWAY if begins == "check" else SECOND)


def test_a_cross_check_with_a_gauge_in_doubt_shows_nothing() -> None:
    check = checked("RG-1", "K2", "RG-9", "O2", HALFWAY)
    chain = facts(*TWO, *OTHER)
    found = found_bad_events(chain, [lost("E1", "RG-1"), lost("E2", "RG-9")], [check])
    assert since(found) == SECOND
    assert since(found, "E2") == SECOND
    earlier = lost("E2", "RG-9", date(2026, 3, 1))
    again = certificate("O3", "RG-9", date(2026, 3, 2))
    mended = replace(check, against_certificate="O3")
    found = found_bad_events(facts(*TWO, *OTHER, again), [lost("E1", "RG-1"), earlier], [mended])
    assert since(found) == HALFWAY  # calibrated again before the two were compared


def test_a_cross_check_with_a_gauge_calibrated_by_it_shows_nothing() -> None:
    """Both may be off by the same: RG-2 owes its certificate to RG-1."""
    child = certificate("S2", "RG-2", date(2026, 2, 1), ("RG-1", "K2"))
    check = checked("RG-1", "K2", "RG-2", "S2", HALFWAY)
    chain = facts(*TWO, child)
    assert since(found_bad_events(chain, [lost("E1", "RG-1")], [check])) == SECOND
    assert since(found_bad_events(chain, [lost("E1", "RG-2")], [check])) == HALFWAY


# --- a check that clears a gauge whose error nobody knows ---------------------------------------


@pytest.mark.parametrize(
    ("at", "U", "why"),
    [
        (("0.9", "5", "9"), "0.005", ""),
        (("0.9", "6.9", "9"), "0.005", ""),
        (("0", "10"), "0.005", "certificate covers 0 to 10 bar"),
        (("5",), "0.005", "it compared at 5.002 bar"),
        (("1.2", "5", "9"), "0.005", "from end to end"),
        (("0.9", "5", "8.9"), "0.005", "from end to end"),
        (("0", "1", "7.2", "10"), "0.005", "with a point between"),
        (("0", "5", "10"), "0.0075", "wider than the permissible error of RG-1, 0.01 bar"),
        (("0", "5", "10"), "0.007", ""),
    ],
)
@pytest.mark.parametrize("kind", [FoundBadKind.LOST, FoundBadKind.DAMAGED])
def test_with_no_error_known_a_check_must_be_a_calibration_in_small(
    kind: FoundBadKind, at: tuple[str, ...], U: str, why: str
) -> None:
    """Worked out by hand: 0.1 % of 10 bar is 0.01 bar; the limit is sqrt(2) U, 0.0099 and 0.0106
    bar; a tenth of 10 bar may be missing at either end, 6 bar lie between neighbours at most."""
    check = checked("RG-1", "K2", "RG-9", "O2", HALFWAY, at=at, U=U)
    event = replace(lost("E1", "RG-1"), kind=kind)
    found = found_bad_events(facts(*TWO, *OTHER), [event], [check])["E1"]
    assert found.last_good.on == (SECOND if why else HALFWAY)
    assert len(found.left_out) == bool(why)
    assert why in "".join(found.left_out)
    if why:
        assert found.left_out[0].startswith(
            "Cross check X1 of 2026-04-01 with RG-9 is not counted: "
        )


def test_a_check_in_another_unit_covers_the_same_range() -> None:
    check = checked(
        "RG-1", "K2", "RG-9", "O2", HALFWAY, at=("0", "500", "1000"), U="0.5", apart="0.2"
    )
    in_kpa = replace(check, points=tuple(replace(p, unit="kPa") for p in check.points))
    chain = facts(*TWO, *OTHER)
    assert since(found_bad_events(chain, [lost("E1", "RG-1")], [in_kpa])) == HALFWAY
    in_mbar = replace(check, points=tuple(replace(p, unit="mbar") for p in check.points))
    assert since(found_bad_events(chain, [lost("E1", "RG-1")], [in_mbar])) == SECOND


REPORTED = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("entered", "counts", "after"),
    [
        (datetime(2026, 4, 1, 8, 0, tzinfo=UTC), True, ""),
        (REPORTED, True, ""),
        (REPORTED + timedelta(seconds=1), False, "after the event was reported"),
        (REPORTED + timedelta(days=9), False, "after the event was reported"),
    ],
)
@pytest.mark.parametrize("kind", [FoundBadKind.LOST, FoundBadKind.AS_FOUND])
def test_a_check_entered_after_the_report_does_not_count(
    kind: FoundBadKind, entered: datetime, counts: bool, after: str
) -> None:
    """It names an earlier day; nobody can tell whether it was done then."""
    check = checked("RG-1", "K2", "RG-9", "O2", HALFWAY, entered_at=entered)
    event = lost("E1", "RG-1")
    if kind is FoundBadKind.AS_FOUND:
        event = replace(event, kind=kind, unit="bar", points=(ErrorPoint(D(10), D("0.1")),))
    chain = facts(*TWO, *OTHER)
    found = found_bad_events(chain, [event], [check], reported={"E1": REPORTED})["E1"]
    assert found.last_good.on == (HALFWAY if counts else SECOND)
    assert after in "".join(found.left_out)
    assert bool(found.left_out) is not counts


def test_a_check_entered_after_the_day_found_does_not_count_for_a_later_report_either() -> None:
    """Entered back-dated first, reported then: the order of entry helps nobody."""
    entered = datetime(2026, 7, 2, 8, 0, tzinfo=UTC)
    check = checked("RG-1", "K2", "RG-9", "O2", HALFWAY, entered_at=entered)
    chain = facts(*TWO, *OTHER)
    for reported in ({"E1": entered + timedelta(hours=1)}, {}):
        found = found_bad_events(chain, [lost("E1", "RG-1")], [check], reported=reported)["E1"]
        assert found.last_good.on == SECOND
        assert "after the gauge was found bad" in found.left_out[0]
        assert "may weigh it" in found.left_out[0]


def test_a_check_in_which_they_did_not_agree_counts_against_the_gauge_however_poor() -> None:
    """One point, entered late: a later check that agreed does not clear what came before it."""
    apart = checked(
        "RG-1", "K2", "RG-9", "O2", date(2026, 3, 1), at=("5",), apart="0.05",
        entered_at=REPORTED + timedelta(days=1),
    )  # fmt: skip
    later = replace(checked("RG-1", "K2", "RG-9", "O2", HALFWAY), number="X2")
    chain = facts(*TWO, *OTHER)
    events = [lost("E1", "RG-1")]
    assert since(found_bad_events(chain, events, [later])) == HALFWAY
    both = found_bad_events(chain, events, [apart, later], reported={"E1": REPORTED})
    assert since(both) == SECOND
    assert both["E1"].left_out == ()


def test_only_a_check_that_would_have_bounded_the_period_is_named() -> None:
    poor = checked("RG-1", "K1", "RG-9", "O1", date(2025, 6, 1), at=("5",))
    after = checked("RG-1", "K2", "RG-9", "O2", FOUND + timedelta(1), at=("5",))
    found = found_bad_events(facts(*TWO, *OTHER), [lost("E1", "RG-1")], [poor, after])["E1"]
    assert found.left_out == ()
