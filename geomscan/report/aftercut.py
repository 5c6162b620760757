"""The page of a check after the cut: which cut went wrong, how, and how surely."""

import math
from collections.abc import Sequence

from geomscan.cuts.aftercut import NAMED_BEYOND, AfterCut, CutError, PlannedPiece
from geomscan.cuts.run_errors import RunErrors
from geomscan.report.page import INK, Page, new_figure

__all__ = ["aftercut_page"]

MOST_TICKS = 30
RUN_WORDS = {
    "blade_angle": "all faces lean alike: the blade is set at another angle than the plan's",
    "blade_place": "all cuts are off alike: check the distance to the blade and the delay",
    "belt_slip": "the error grows along the pieces: the belt slips under the blade",
}
WORDS = {"face_angle": "face at another angle", "place": "cut in another place"}


def aftercut_page(compared: AfterCut, pieces: Sequence[PlannedPiece]) -> str:
    """Render the page."""
    named = [cut for cut in compared.cuts if cut.named]
    page = Page("After the cut", _lead(compared, named))
    page.heading("Cuts")
    if compared.cuts:
        _picture(page, compared)
        _cut_table(page, compared.cuts)
    _run_table(page, compared.run)
    page.heading("Portions")
    _portion_table(page, compared)
    if compared.extra:
        numbers = ", ".join(str(piece) for piece in compared.extra)
        page.text(f"Matched to no planned slice: pieces {numbers}.", kind="warn")
    page.points(
        [
            "A face that looks down is hidden from above: its angle is not observable, and the "
            "hollow below it counts as product in the plan and in the scan alike.",
            "One cut off in angle alone: a dull or bent blade. "
            "One cut out of place: the product was dragged.",
        ]
    )
    page.text(f"{len(pieces)} planned pieces were compared.", kind="soft")
    page.cautions()
    return page.render()


def _lead(compared: AfterCut, named: Sequence[CutError]) -> str:
    found = sum(portion.found is not None for portion in compared.portions)
    text = f"{found} of {len(compared.portions)} planned slices were found behind the blade. "
    if not named:
        return text + "No cut is off by more than its uncertainty allows."
    return text + " ".join(
        f"Piece {cut.piece}, cut {cut.number}: {' and '.join(WORDS[name] for name in cut.named)}."
        for cut in named[:10]
    )


def _pm(value: float, u: float, digits: int = 2) -> str:
    return f"{value:+.{digits}f} ± {u:.{digits}f}" if math.isfinite(value) else "–"


def _cut_table(page: Page, cuts: Sequence[CutError]) -> None:
    rows = [
        [
            cut.piece,
            cut.number,
            f"{cut.s_mm:.1f}",
            _pm(cut.place_error_mm, cut.u_place_error_mm),
            _pm(cut.angle_error_deg, cut.angle.u_angle_deg)
            if cut.angle.observable
            else f"not observable: {cut.angle.why}",
            ", ".join(WORDS[name] for name in cut.named) or "–",
        ]
        for cut in cuts
    ]
    page.table(
        ["piece", "cut", "planned s, mm", "place error, mm", "angle error, °", "named"],
        rows,
        caption="± is one standard uncertainty; an error is named beyond "
        f"{NAMED_BEYOND:g} of them and beyond what matters. Angles are of the face that looks up; "
        "the other face of each cut is hidden from above.",
    )


def _run_table(page: Page, run: RunErrors) -> None:
    page.table(
        ["common to all cuts", "median"],
        [
            ["angle error, °", _pm(run.angle_error_deg, run.u_angle_error_deg)],
            ["place error, mm", _pm(run.place_error_mm, run.u_place_error_mm)],
            ["slip, % of the length", _pm(run.slip_percent, run.u_slip_percent)],
        ],
    )
    for name in run.named:
        page.text(RUN_WORDS[name][0].upper() + RUN_WORDS[name][1:] + ".", kind="bad")


def _portion_table(page: Page, compared: AfterCut) -> None:
    rows = [
        [
            portion.piece,
            f"{portion.number}{' (trim)' if portion.is_trim else ''}",
            portion.found if portion.found is not None else "not found",
            _pm(portion.mass_error_g, portion.u_mass_error_g),
            _pm(portion.volume_error_cm3, portion.u_volume_error_cm3),
            _pm(portion.length_error_mm, portion.u_length_error_mm),
        ]
        for portion in compared.portions
    ]
    head = ["piece", "slice", "portion", "mass error, g", "volume error, cm³", "length error, mm"]
    page.table(head, rows, caption="Found minus planned.")


def _picture(page: Page, compared: AfterCut) -> None:
    figure, axes = new_figure(8, 3.6, nrows=2, sharex=True)
    numbers = list(range(1, len(compared.cuts) + 1))
    panels = (
        (
            "place error, mm",
            "place",
            [(cut.place_error_mm, cut.u_place_error_mm) for cut in compared.cuts],
        ),
        (
            "angle error, °",
            "face_angle",
            [(cut.angle_error_deg, cut.angle.u_angle_deg) for cut in compared.cuts],
        ),
    )
    for axis, (label, name, values) in zip(axes, panels, strict=True):
        for number, (value, u), cut in zip(numbers, values, compared.cuts, strict=True):
            color = INK["red"] if name in cut.named else INK["blue"]
            if math.isfinite(value):
                axis.errorbar(number, value, yerr=1.96 * u, fmt="o", color=color, markersize=4)
        axis.axhline(0, color=INK["grey"], linewidth=0.8)
        axis.set_ylabel(label)
    axes[-1].set_xticks(numbers if len(numbers) <= MOST_TICKS else numbers[:: len(numbers) // 10])
    axes[-1].set_xlabel("cut, in the order of the belt")
    page.figure(figure, "Errors of each cut with 95 % intervals; red: named.")
