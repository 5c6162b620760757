"""The page of one measured recording, made from its results folder alone."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geomscan.report.page import INK, Page, new_figure
from geomscan.results.reader import GridMap, Results, read_map, read_profiles, read_results

__all__ = ["measurement_page"]

MOST_PROFILES = 12
LONGEST_PICTURE_MM = 1500.0
_SHOWN_EVENTS = 12  # of each kind, so that many lost lines don't crowd out a stop


def measurement_page(folder: Path) -> str:
    """Render the page of a results folder.

    Raises
    ------
    InputError
        If the folder can't be read.
    """
    results = read_results(folder)
    run = results.run
    page = Page(f"Measured: {results.recording}", _lead(results))
    for warning in run.get("warnings", []):
        page.text(f"Note: {warning}", kind="warn")
    page.heading("Pieces")
    if results.pieces:
        _piece_table(page, results.pieces)
    else:
        page.text("No piece was found on this stretch of belt.", kind="warn")
    _flags(page, run)
    if results.pieces:
        _seen_table(page, results.pieces)
    if results.pieces and run.get("maps"):
        _map_pictures(page, folder, results)
    if results.pieces:
        _profile_pictures(page, folder, results)
        _budget(page, run)
    _provenance(page, run)
    page.cautions()
    return page.render()


def _lead(results: Results) -> str:
    pieces = results.pieces
    volume_cm3 = sum(row["volume_cm3"] for row in pieces)
    text = f"{len(pieces)} pieces, {volume_cm3:.1f} cm³ together"
    mass_g = np.array([row["mass_g"] for row in pieces])
    if len(pieces) and np.isfinite(mass_g).all():
        text += f", predicted {mass_g.sum():.1f} g"
    elif len(pieces):
        text += "; no mass, because no density was stated"
    return text + "."


def _pm(value: float, u: float, digits: int = 2) -> str:
    """Give value ± u, or a dash where it is not known."""
    if not np.isfinite(value):
        return "–"
    return f"{value:.{digits}f} ± {u:.{digits}f}" if np.isfinite(u) else f"{value:.{digits}f}"


def _piece_table(page: Page, pieces: Sequence[dict[str, Any]]) -> None:
    rows = [
        [
            row["piece"],
            row["lane"] or "none",
            _pm(row["mass_g"], row["u_mass_g"]),
            _pm(row["volume_cm3"], row["u_volume_cm3"]),
            _pm(100 * row["fat_area_fraction"], 100 * row["u_fat_area_fraction"], 1),
            row["flags"].replace(";", ", ") or "–",
            f"{row['x0_mm']:.1f}",
            f"{row['length_mm']:.1f} × {row['width_mm']:.1f}",
            f"{row['thickness_max_mm']:.1f}",
            f"{row['area_cm2']:.1f}",
        ]
        for row in pieces
    ]
    page.table(
        [
            "piece",
            "lane",
            "mass, g",
            "volume, cm³",
            "fat, %",
            "flags",
            "edge, mm",
            "size, mm",
            "thickest, mm",
            "area, cm²",
        ],
        rows,
        caption="± is one standard uncertainty; 95 % of true values lie within 1.96 of it. Edge: "
        "belt x of the leading edge; size: along and across the belt. Area and share of fat are "
        "those of the plan. Fat is what the camera sees on the surface: rind, seams and cover, "
        "not fine marbling.",
    )


def _seen_table(page: Page, pieces: Sequence[dict[str, Any]]) -> None:
    """How well each piece and the belt around it were seen; folders of old may lack some of it."""

    def number(row: dict[str, Any], name: str, digits: int, factor: float = 1.0) -> str:
        value = factor * row.get(name, float("nan"))
        return f"{round(value, digits) + 0.0:.{digits}f}" if np.isfinite(value) else "–"

    page.heading("How each piece was seen")
    page.table(
        [
            "piece",
            "no camera, %",
            "no light, %",
            "bare belt, %",
            "u of belt, mm",
            "belt pattern, mm",
            "heads apart, mm",
        ],
        [
            [
                row["piece"],
                number(row, "shadow_camera_fraction", 2, 100.0),
                number(row, "shadow_fan_fraction", 2, 100.0),
                number(row, "bare_belt_fraction", 0, 100.0),
                number(row, "u_belt_zero_mm", 3),
                number(row, "belt_pattern_mm", 1),
                number(row, "heads_gap_mm", 3),
            ]
            for row in pieces
        ],
        caption="Shares of the plan area that no camera saw and that the laser never lit; of the "
        "ground around a piece, the share that told how high the belt lies, and how sure that is. "
        "A pattern of the belt with this period was taken off, the piece taken to rest on its "
        "crests. Heads apart: the first one's height less the second's.",
    )


def _flags(page: Page, run: dict[str, Any]) -> None:
    counts: dict[str, int] = run.get("flags", {})
    events = run.get("events", [])
    if counts:
        page.heading("Flags")
        meanings: dict[str, str] = run.get("flag_meanings", {})
        page.table(
            ["flag", "pieces", "what it means"],
            [[name, number, meanings.get(name, "")] for name, number in sorted(counts.items())],
        )
    if events:
        page.heading("Events on the belt")
        shown: list[str] = []
        for what in dict.fromkeys(event["what"] for event in events):
            alike = [f"line {event['line']}: {event['text']}" for event in events
                     if event["what"] == what]  # fmt: skip
            shown += alike[:_SHOWN_EVENTS]
            if len(alike) > _SHOWN_EVENTS:
                shown.append(f"{len(alike) - _SHOWN_EVENTS} more of the last kind: see run.json")
        page.points(shown)


def _map_pictures(page: Page, folder: Path, results: Results) -> None:
    page.heading("Maps")
    thickness = read_map(folder, "thickness")
    fat = read_map(folder, "fat_probability")
    reflectance = read_map(folder, "reflectance")
    step = max(1, int(np.ceil(max(thickness.values.shape) / 2400)))
    whole_mm = thickness.values.shape[0] * thickness.cell_mm
    shown_mm = min(whole_mm, LONGEST_PICTURE_MM)
    size = (9.0, 0.7 + 7.6 * thickness.values.shape[1] * thickness.cell_mm / max(shown_mm, 1.0))
    pictures: tuple[tuple[str, GridMap, str, float | None, str], ...] = (
        ("Thickness over the bare belt", thickness, "viridis", _bright(thickness), "mm"),
        ("Reflectance, corrected", reflectance, "gray", _bright(reflectance), "grey levels"),
        ("Probability of fat", fat, "cividis", 1.0, "1"),
    )
    for title, grid, colours, top, unit in pictures:
        figure, axis = new_figure(*size)
        shown = grid.values[: int(shown_mm / grid.cell_mm) : step, ::step]
        left, low = grid.x_first_mm, grid.y_first_mm
        picture = axis.imshow(
            shown.T,
            origin="lower",
            cmap=colours,
            vmin=0,
            vmax=top,
            interpolation="nearest",
            extent=(
                left,
                left + grid.cell_mm * step * shown.shape[0],
                low,
                low + grid.cell_mm * step * shown.shape[1],
            ),
        )
        bar = figure.colorbar(picture, ax=axis, shrink=0.8)
        bar.ax.tick_params(colors=INK["grey"], labelsize=8)
        axis.set_xlabel("x, mm (upstream →)")
        axis.set_ylabel("y, mm")
        for row in results.pieces:
            if row["x0_mm"] < left + shown_mm:
                axis.annotate(
                    str(row["piece"]),
                    (row["x_mm"], row["y_mm"]),
                    color="white",
                    fontsize=9,
                    ha="center",
                    va="center",
                    bbox={"boxstyle": "round", "facecolor": "black", "alpha": 0.5, "lw": 0},
                )
        note = "" if shown_mm >= whole_mm else f" The first {shown_mm:.0f} of {whole_mm:.0f} mm."
        page.figure(figure, f"{title}, {unit}; numbers are the pieces.{note}")


def _bright(grid: GridMap) -> float | None:
    """Top of a colour scale that single glints and specks don't set."""
    seen = grid.values[np.isfinite(grid.values)]
    return float(np.percentile(seen, 99.8)) if seen.size else None


def _profile_pictures(page: Page, folder: Path, results: Results) -> None:
    table = read_profiles(folder)
    angles: list[float] = [float(angle) for angle in np.unique(table["angle_deg"])]
    has_mass = bool(np.isfinite(table["cumulative_g"]).all())
    per_mm = table["mass_g_per_mm" if has_mass else "volume_cm3_per_mm"]
    unit = "g/mm" if has_mass else "cm³/mm"
    numbers = [row["piece"] for row in results.pieces[:MOST_PROFILES]]
    n_rows = (len(numbers) + 2) // 3
    page.heading("Mass profiles" if has_mass else "Volume profiles")
    figure, axes = new_figure(9.0, 0.6 + 2.1 * n_rows, nrows=n_rows, ncols=3, squeeze=False)
    inks = ["blue", "orange", "green", "violet", "red"]
    for axis, number in zip(axes.flat, numbers, strict=False):
        for ink, angle in zip(inks, angles, strict=False):
            chosen = (table["piece"] == number) & (table["angle_deg"] == angle)
            _steps(axis, table["s_mm"][chosen], per_mm[chosen], INK[ink], f"{angle:g}°")
        axis.set_title(f"piece {number}")
        axis.set_xlabel("s, mm")
        axis.set_ylabel(unit)
    for axis in axes.flat[len(numbers) :]:
        axis.set_visible(False)
    axes.flat[0].legend(fontsize=7, frameon=False, labelcolor=INK["grey"])
    more = len(results.pieces) - len(numbers)
    note = f" {more} more pieces are in profiles.parquet." if more > 0 else ""
    page.figure(
        figure, f"What a slice holds, by where the blade meets the belt and its angle.{note}"
    )


def _steps(
    axis: Any,
    s_mm: npt.NDArray[np.float64],
    per_mm: npt.NDArray[np.float64],
    colour: str,
    label: str,
) -> None:
    axis.plot(s_mm, per_mm, drawstyle="steps-post", color=colour, lw=1.2, label=label)


def _budget(page: Page, run: dict[str, Any]) -> None:
    budget: list[dict[str, Any]] = run.get("budget", [])
    if not budget:
        return
    page.heading("Where the uncertainty comes from")
    has_mass = any(row.get("u_g") is not None for row in budget)
    key, unit = ("u_g", "g") if has_mass else ("u_cm3", "cm³")
    budget = sorted(budget, key=lambda row: -(row.get(key) or 0.0))
    figure, axis = new_figure(8.0, 0.8 + 0.3 * len(budget))
    names = [f"{row['name']} ({row['scope']})" for row in budget]
    axis.barh(names[::-1], [row.get(key) or 0.0 for row in budget[::-1]], color=INK["blue"])
    axis.set_xlabel(f"root mean square over the pieces, {unit}")
    page.figure(figure, "Each cause alone; they add in quadrature.")
    page.table(
        ["cause", "common to", f"u, {unit}"],
        [[row["name"], row["scope"], f"{row.get(key) or 0.0:.3f}"] for row in budget],
        caption="Independent: from cell to cell. Piece: one draw for a piece. Run: one draw for "
        "all pieces, so that averaging over pieces does not help.",
    )


def _provenance(page: Page, run: dict[str, Any]) -> None:
    page.heading("What was measured with what")
    rows: list[list[object]] = []
    for name in ("recording", "calibration", "settings", "model", "versions", "method", "timings"):
        value = run.get(name)
        if isinstance(value, dict):
            rows += [[f"{name}: {key}", _short(item)] for key, item in value.items()]
        elif value is not None:
            rows.append([name, _short(value)])
    page.table(["", ""], rows)


def _short(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.4g}"
    return str(value)[:200]
