"""Guided questions on how the gauges stand: a second gauge, the height, the pressure of the air."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING, Protocol

from calfleet.adapters.cli.render import paragraph
from calfleet.errors import CalfleetError

if TYPE_CHECKING:
    from calfleet.records import BenchRecord, Gauge, GaugeUsed, Switch
    from calfleet.services.fit_gauges import GaugeOption
    from calfleet.services.plan_bench import BenchPlan


class AskNumber(Protocol):
    """Asks for a number within limits until it is one."""

    def __call__(
        self, text: str, default: str | None = None, *, low: int | None = None,
        high: int | None = None,
    ) -> Decimal: ...  # fmt: skip


@dataclass(frozen=True)
class SetUp:
    """How the gauges stand at the bench; what was not needed is ``None``.

    ``static_gauge``: a second gauge for the static pressure, with the number of its certificate.
    """

    static_gauge: Gauge | None = None
    static_certificate: str = ""
    barometric: Decimal | None = None
    head_height_m: Decimal | None = None
    head_height_half_width_m: Decimal | None = None
    head_density_kg_m3: Decimal | None = None

    def gauges(self, option: GaugeOption, *, with_static: bool) -> tuple[GaugeUsed, ...]:
        """The gauges of the record: the operating one, and what read the static pressure."""
        from calfleet.records import GaugeRole, GaugeUsed

        used = [GaugeUsed(GaugeRole.OPERATING, option.gauge.code, option.certificate or "")]
        if with_static:
            second = self.static_gauge
            code = option.gauge.code if second is None else second.code
            number = (option.certificate or "") if second is None else self.static_certificate
            used.append(GaugeUsed(GaugeRole.STATIC, code, number))
        return tuple(used)

    def onto(self, record: BenchRecord) -> BenchRecord:
        """The record with what was told of air and height."""
        from dataclasses import replace

        from calfleet.services.plan_bench import BAROMETER_UNIT

        return replace(
            record,
            barometric=self.barometric,
            barometric_unit=None if self.barometric is None else BAROMETER_UNIT,
            head_height_m=self.head_height_m,
            head_height_half_width_m=self.head_height_half_width_m,
            head_density_kg_m3=self.head_density_kg_m3,
        )

    def head(self, switch: Switch) -> Fraction:
        """What ``switch`` sees more than the gauge, in its unit, in the air of a usual room."""
        from calfleet.services.plan_bench import usual_head

        return usual_head(self.head_height_m, self.head_density_kg_m3, switch)

    def air(self, unit: str) -> Fraction | None:
        """The pressure of the air in ``unit``, where it was asked for."""
        from calfleet.metrology.units import convert
        from calfleet.services.plan_bench import BAROMETER_UNIT

        return None if self.barometric is None else convert(self.barometric, BAROMETER_UNIT, unit)


def ask_set_up(
    plan: BenchPlan, option: GaugeOption, ask: Callable[[str, str | None], str], number: AskNumber
) -> SetUp:
    """What there is to know before the first reading; asks only what the job needs."""
    from calfleet.records import Quantity
    from calfleet.services.plan_bench import BAROMETER_UNIT, needs_barometer, reads_static

    second, certificate = None, ""
    if reads_static(plan.switch, option.gauge):
        second, certificate = _ask_static_gauge(plan, option, ask)
    air = None
    if needs_barometer(plan.switch, option.gauge):
        air = number(f"Pressure of the air ({BAROMETER_UNIT})", low=500, high=1200)
    height = half_width = density = None
    if plan.switch.quantity is not Quantity.TEMPERATURE:
        height = number("Gauge above the switch (m; below: minus)", "0", low=-100, high=100)
        if height == 0:
            height = None
        else:
            half_width = number("Height known to ± (m)", "0.01", low=0, high=10)
            density = number("Fluid in the line between them (kg/m³)", low=0, high=20000)
    return SetUp(second, certificate, air, height, half_width, density)


def _ask_static_gauge(
    plan: BenchPlan, option: GaugeOption, ask: Callable[[str, str | None], str]
) -> tuple[Gauge | None, str]:
    """The second gauge and its certificate; ``None`` where the operating one reads both."""
    from calfleet.services.plan_bench import choose_tools

    own = option.gauge.code
    while True:
        typed = ask("Static pressure is read on", own)
        try:
            tools = choose_tools(plan, own, typed)
        except CalfleetError as error:
            print(paragraph(f"{error.message} {error.next_step}", indent="  ✗ "))
            continue
        held = tools.static_certificate
        return tools.static, "" if held is None else held.number
