"""The page of a cutting preview: pieces with their cuts, what they yield, and what else would."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geomscan.cuts.plan import PiecePlan, Portion
from geomscan.cuts.preview import GUARD_RISK, Sliced, Summary
from geomscan.cuts.rules import REMAINDERS
from geomscan.report.page import INK, Page, new_figure
from geomscan.results.reader import GridMap, read_map

__all__ = ["RunMaps", "crop_of", "cuts_page", "read_maps"]

MOST_PICTURES = 12


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class RunMaps:
    """Thickness map of a run and the map that says which piece each cell belongs to."""

    thickness: GridMap
    piece: GridMap


def read_maps(folder: Path) -> RunMaps:
    """Read the two maps of a results folder.

    Raises
    ------
    InputError
        If it has none.
    """
    return RunMaps(thickness=read_map(folder, "thickness"), piece=read_map(folder, "piece"))


def crop_of(maps: RunMaps, piece: int) -> tuple[npt.NDArray[np.float64], float, float, float]:
    """Cut one piece out of the run's map.

    Returns
    -------
    thickness_mm : array (n_x, n_y)
        NaN where the piece is not.
    x_first_mm, y_first_mm : float
        Centre of its first cell.
    cell_mm : float
    """
    inside = maps.piece.values == piece
    rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    if not rows.size:
        return np.full((1, 1), np.nan), math.nan, math.nan, maps.thickness.cell_mm
    part = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    thickness = np.where(inside[part], maps.thickness.values[part], np.nan).astype(np.float64)
    cell = maps.thickness.cell_mm
    return (
        thickness,
        maps.thickness.x_first_mm + cell * float(rows[0]),
        maps.thickness.y_first_mm + cell * float(columns[0]),
        cell,
    )


def cuts_page(
    pieces: Sequence[Sliced],
    plans: Sequence[PiecePlan],
    summary: Summary,
    table: Sequence[tuple[float, float, Summary]],
    maps: RunMaps | None,
) -> str:
    """Render the page."""
    page = Page("Preview of the cuts", _lead(summary))
    if summary.n_unmet:
        page.text(f"{summary.n_unmet} pieces could not be cut by the rules.", kind="bad")
    page.heading("What it is worth")
    _worth(page, plans, summary)
    page.heading("Pieces with their cuts")
    by_number = {piece.document.piece: piece for piece in pieces}
    for plan in plans[:MOST_PICTURES]:
        _picture(page, plan, by_number[plan.piece], maps)
    if len(plans) > MOST_PICTURES:
        page.text(f"The first {MOST_PICTURES} of {len(plans)} pieces are drawn.", kind="soft")
    page.heading("All pieces")
    _piece_table(page, plans, {piece.document.piece: piece.document.flags for piece in pieces})
    if table:
        page.heading("What if")
        _what_if_table(page, table)
    page.cautions()
    return page.render()


def _lead(summary: Summary) -> str:
    return (
        f"{summary.n_portions} portions from {summary.n_pieces} pieces; "
        f"{_percent(summary.yield_share)} of the mass within tolerance."
    )


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %" if math.isfinite(share) else "–"


def _number(value: float, digits: int = 2) -> str:
    return f"{value:.{digits}f}" if math.isfinite(value) else "–"


def _content(portion: Portion) -> str:
    """Give what is known of a portion: its mass, else its volume."""
    known = math.isfinite(portion.mass_g)
    return f"{portion.mass_g:.1f} g" if known else f"{portion.volume_cm3:.1f} cm³"


def _worth(page: Page, plans: Sequence[PiecePlan], summary: Summary) -> None:
    page.table(
        ["figure", "value", "meaning"],
        [
            ["yield", _percent(summary.yield_share), "mass within tolerance over all mass"],
            [
                "within tolerance",
                _percent(summary.good_share),
                "share of the portions, as predicted",
            ],
            [
                "expected within tolerance",
                _percent(summary.expected_good_share),
                "the same with each portion's own uncertainty",
            ],
            ["give-away, g", _number(summary.give_away_g), "mean portion mass above its target"],
            ["u of a portion, g", _number(summary.u_mass_g), "standard uncertainty, rms"],
            [
                "guard band, g",
                _number(summary.guard_g),
                f"aim this far above a limit and no more than {100 * GUARD_RISK:.0f} % of the "
                "portions fall below it: the give-away that the uncertainty asks for",
            ],
        ],
    )
    rules = plans[0].rules if plans else None
    if rules:
        page.text(
            f"Remainder: {REMAINDERS[rules.remainder]}. Kerf {rules.kerf_mm:g} mm, no two cuts "
            f"nearer than {rules.least_distance_mm:.1f} mm.",
            kind="soft",
        )


def _picture(page: Page, plan: PiecePlan, piece: Sliced, maps: RunMaps | None) -> None:
    document = piece.document
    figure, axis = new_figure(8, 2.6)
    if maps is not None:
        thickness, x_first, y_first, cell = crop_of(maps, plan.piece)
        # cells covered to a small part may stand too high on the map
        thickness = np.minimum(thickness, max(p.thickness_max_mm.max() for p in piece.profiles))
        _draw_map(axis, thickness, (x_first - document.x0_mm, y_first), cell, plan)
    else:
        _draw_outline(axis, plan, piece)
    axis.set_xlabel("s along the belt, mm")
    low, high = axis.get_ylim()
    for number, portion in enumerate(plan.portions, 1):
        axis.text(
            0.5 * (portion.from_mm + portion.to_mm),
            high + 0.03 * (high - low),
            f"{number}\n{_content(portion)}",
            ha="center",
            fontsize=7,
            color=INK["green"] if portion.good else INK["red"],
        )
    text = f"Piece {plan.piece}, lane {plan.lane}, blade {plan.angle_deg:g}°: " + (
        f"{len(plan.portions)} portions, yield {_percent(plan.yield_share)}, "
        f"trim {_number(plan.trim_g, 1)} g, kerf {_number(plan.kerf_g, 1)} g."
        if plan.met
        else "no choice of cuts meets the rules."
    )
    if maps is not None and plan.angle_deg:
        text += " Full lines: where the blade meets the surface; dotted: where it meets the belt."
    page.figure(figure, text)


def _draw_map(
    axis: Any,
    thickness: npt.NDArray[np.float64],
    first: tuple[float, float],
    cell_mm: float,
    plan: PiecePlan,
) -> None:
    n_x, n_y = thickness.shape
    x = first[0] + cell_mm * np.arange(n_x)
    y = first[1] + cell_mm * np.arange(n_y)
    half = 0.5 * cell_mm
    extent = (x[0] - half, x[-1] + half, y[0] - half, y[-1] + half)
    axis.imshow(thickness.T, origin="lower", extent=extent, cmap="cividis", aspect="equal")
    axis.set_ylabel("y, mm")
    slope = math.tan(math.radians(plan.angle_deg))
    at_blade = x[:, None] - thickness * slope
    for cut in plan.cuts_mm:
        if slope:
            axis.plot([cut, cut], extent[2:], ":", color=INK["orange"], linewidth=0.8)
            if np.nanmin(at_blade) < cut < np.nanmax(at_blade):
                axis.contour(x, y, at_blade.T, levels=[cut], colors=INK["orange"], linewidths=1.2)
        else:
            axis.plot([cut, cut], extent[2:], color=INK["orange"], linewidth=1.2)


def _draw_outline(axis: Any, plan: PiecePlan, piece: Sliced) -> None:
    """Draw thickness along s where there is no map."""
    profile = next(p for p in piece.profiles if p.angle_deg == plan.angle_deg)
    axis.stairs(
        profile.thickness_max_mm[:-1], profile.s_mm, color=INK["blue"], fill=True, alpha=0.5
    )
    axis.set_ylabel("greatest height, mm")
    for cut in plan.cuts_mm:
        axis.axvline(cut, color=INK["orange"], linewidth=1.2)


def _piece_table(
    page: Page, plans: Sequence[PiecePlan], flags: Mapping[int, Sequence[str]]
) -> None:
    rows = [
        [
            plan.piece,
            plan.lane,
            f"{plan.angle_deg:g}",
            _number(plan.mass_g, 1),
            len(plan.portions),
            ", ".join(
                f"{portion.mass_g:.1f} ± {portion.u_mass_g:.1f}" for portion in plan.portions
            ),
            _number(plan.trim_g, 1),
            _percent(plan.yield_share),
            ", ".join(flags[plan.piece]) or "–",
        ]
        for plan in plans
    ]
    head = [
        "piece",
        "lane",
        "angle, °",
        "mass, g",
        "portions",
        "portions, g",
        "trim, g",
        "yield",
        "flags",
    ]
    page.table(head, rows, caption="± is one standard uncertainty.")


def _what_if_table(page: Page, table: Sequence[tuple[float, float, Summary]]) -> None:
    rows = [
        [
            f"{target:g}",
            f"{angle:g}",
            summary.n_portions,
            _percent(summary.yield_share),
            _percent(summary.expected_good_share),
            _number(summary.give_away_g),
            _number(summary.deviation),
            _number(summary.guard_g),
        ]
        for target, angle, summary in table
    ]
    head = [
        "target",
        "angle, °",
        "portions",
        "yield",
        "expected within tolerance",
        "give-away, g",
        "rms deviation",
        "guard band, g",
    ]
    page.table(head, rows, caption="Tolerance and allowed sizes keep their ratio to the target.")
