"""A plan tried out on made paper: what a tester means to do, as a made campaign."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from fairpanel.rehearsal.campaigns import MadeCampaign
from fairpanel.rehearsal.designs import Design
from fairpanel.rehearsal.making import make_campaign

CAMERAS = ("scan", "phone")
_CELLS = 12


@dataclass(frozen=True)
class Plan:
    """What a tester means to do.

    Parameters
    ----------
    products : mapping or int
        Product: what it is supposed to block [%]; or how many, then they block 2 to 98 %, evenly spread.
    plates : int
        Plates of each product, each coated by itself.
    seconds : tuple of float
        Exposure of each plate's patch; several for a bracket on one strip. [s]
    step_seconds : tuple of float
        Times of the step strip. [s]
    half_plates : bool
        Coated on one half, glass only on the other.
    sheets : int
        Paper sheets over which the plates of a product are spread; each sheet has its own step strip.
    camera : {"scan", "phone"}
    half_seconds : float
        The paper's half-way exposure under glass. [s]
    film_cv : float
        Relative standard deviation of film mass between plates. [1]
    brushed : bool
        Paper coated by hand with a brush.
    lamp_drift : float
        Relative standard deviation of the lamp's output between exposures. [1]
    """

    products: Mapping[str, float] | int = 12
    plates: int = 3
    seconds: tuple[float, ...] = (90.0,)
    step_seconds: tuple[float, ...] = (0.0, 8.0, 15.0, 25.0, 40.0, 60.0, 90.0, 135.0)
    half_plates: bool = True
    sheets: int = 3
    camera: str = "scan"
    half_seconds: float = 62.0
    film_cv: float = 0.12
    brushed: bool = False
    lamp_drift: float = 0.01

    def faults(self) -> list[str]:
        """Everything that is wrong with the plan, in plain words; empty where nothing is."""
        count = self.products if isinstance(self.products, int) else len(self.products)
        found = [
            (count < 1, "There are no products in the plan; name at least one."),
            (self.plates < 1, f"{self.plates} plates per product: at least one is needed."),
            (self.sheets < 1, f"{self.sheets} paper sheets: at least one is needed."),
            (
                self.sheets > self.plates,
                f"{self.sheets} paper sheets for {self.plates} plates of a product: use at "
                "most as many sheets as plates.",
            ),
            (
                -(-self.plates // max(self.sheets, 1)) > _CELLS,
                f"{self.plates} plates on {self.sheets} sheets do not fit the mat's twelve cells; use more sheets.",
            ),
            (
                not self.seconds or min(self.seconds, default=0) <= 0,
                "The exposure of the plates must be longer than 0 seconds.",
            ),
            (len(set(self.step_seconds)) < 3, "A step strip needs at least three different times."),
            (min(self.step_seconds, default=0) < 0, "A step cannot be shorter than 0 seconds."),
            (self.camera not in CAMERAS, f"There is no camera “{self.camera}”; use scan or phone."),
            (not 0 <= self.lamp_drift <= 0.5, "The lamp's drift between exposures must lie between 0 and 50 %."),
            (self.half_seconds <= 0, "The half-way exposure of the paper must be longer than 0 seconds."),
        ]
        blocked = {} if isinstance(self.products, int) else self.products
        over = [
            f"{name} is supposed to block {b:g} %: less than 100 is needed." for name, b in blocked.items() if b >= 100
        ]
        return [text for wrong, text in found if wrong] + over


def made_campaign(plan: Plan, seed: int) -> MadeCampaign:
    """A made campaign of a plan: the same for the same plan and seed.

    Raises
    ------
    ValueError
        The plan cannot be carried out; the message lists every fault.
    """
    faults = plan.faults()
    if faults:
        raise ValueError("\n".join(faults))
    each = -(-plan.plates // plan.sheets)
    products = _evenly(plan.products) if isinstance(plan.products, int) else plan.products
    design = Design(
        camera=plan.camera,
        relative=tuple(t / plan.half_seconds for t in plan.seconds),
        seconds=plan.seconds,
        half_seconds=plan.half_seconds,
        steps=tuple(sorted(plan.step_seconds)),
        half_plates=plan.half_plates,
        sheets=plan.sheets,
        plates=plan.plates,
        per_picture=max(_CELLS // each, 1),
        products=tuple(products.items()),
        film_cv=plan.film_cv,
        brushed=plan.brushed,
        drift=plan.lamp_drift,
        table="full",
    )
    return make_campaign("plan", design, seed)


def _evenly(count: int) -> dict[str, float]:
    """Products without names that block 2 to 98 %."""
    return {f"Product {i + 1:02d}": 2 + 96 * (i + 0.5) / count for i in range(count)}
