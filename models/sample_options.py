"""The choices behind a sample, each with the value of the main analysis as its default."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

Quality = Literal["same_session", "same_engine", "same_spec", "stated"]


@dataclass(frozen=True, slots=True)
class SampleOptions:
    """Who is in. The defaults are the main analysis; everything else is a named sensitivity line.

    Attributes
    ----------
    qualities : baseline qualities that may enter: from one session, from the same build, from
        another build of the same specification, stated ratings.
    other_dyno : let a build's baseline from another dyno serve.
    flat_loss : let a wheel figure with a stated flat loss pair with a crank figure.
    interpolated_baseline : where runs on both sides of ambient manifold pressure are there,
        take the power at ambient pressure from the line through them.
    standard_ambient : use 14.7 psi for every site in place of its own air pressure.
    only_recorded_ambient : leave out builds whose air pressure was taken from altitude or assumed.
    only_measured_at, only_baseline_hardware : codes to keep; empty keeps all.
    only_cooled : keep builds with a charge cooler.
    least_boost_levels : keep builds tested at this many boost levels or more.
    drop_publishers, drop_sources, drop_units : names to leave out.
    """

    qualities: tuple[Quality, ...] = ("same_session", "same_engine")
    other_dyno: bool = False
    flat_loss: bool = False
    interpolated_baseline: bool = False
    standard_ambient: bool = False
    only_recorded_ambient: bool = False
    only_measured_at: tuple[str, ...] = ()
    only_baseline_hardware: tuple[str, ...] = ()
    only_cooled: bool = False
    least_boost_levels: int = 1
    drop_publishers: tuple[str, ...] = ()
    drop_sources: tuple[str, ...] = ()
    drop_units: tuple[str, ...] = ()

    def without_filters(self) -> SampleOptions:
        """The same choice of pairs with every unit kept: what differs from it only picks among its units."""
        return replace(
            self,
            only_recorded_ambient=False,
            only_measured_at=(),
            only_baseline_hardware=(),
            only_cooled=False,
            least_boost_levels=1,
            drop_publishers=(),
            drop_sources=(),
            drop_units=(),
        )
