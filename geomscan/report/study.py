"""The page of a density study: what to do next first, then the evidence."""

from typing import Any

import numpy as np

from geomscan.report.page import INK, Page, new_figure
from geomscan.studies.advice import SHOWN, advise
from geomscan.studies.statistics import Agreement
from geomscan.studies.study import DensityStudy

__all__ = ["study_page"]

UNITS = {"lean": "kg/m³", "fat": "kg/m³", "offset": "mm", "zero": "g", "gain": "%"}
NAMES = {
    "lean": "density of lean",
    "fat": "density of fat",
    "offset": "height offset (measured minus true)",
    "zero": "scale zero",
    "gain": "scale gain",
}
DIGITS = {"lean": 1, "fat": 1, "offset": 3, "zero": 2, "gain": 3}


def study_page(study: DensityStudy, *, title: str = "Density study") -> str:
    """Render the page of a density study."""
    page = Page(title, _lead(study))
    page.text(_verdict(study), kind=_mood(study))
    page.heading("What to do next")
    page.points(advise(study))
    page.heading("What was found")
    _estimates(page, study)
    page.figure(*_density_figure(study))
    page.heading("Why weights and predictions differ")
    _causes(page, study)
    page.heading("How far predictions can be trusted")
    _agreement(page, study)
    page.heading("What is left over")
    _residuals(page, study)
    page.heading("Rows kept out of the fit")
    _set_aside(page, study)
    page.heading("How the model was chosen")
    page.points(study.choice.reasons)
    page.table(
        ["fitted", "AICc (smaller is better)"],
        [[", ".join(names), f"{aicc:.1f}"] for names, aicc in study.choice.tried],
    )
    page.cautions()
    return page.render()


def _lead(study: DensityStudy) -> str:
    fit = study.fit
    low, high = fit.interval("lean")
    text = (
        f"{study.n_used} weighed pieces, paired {study.pairing_how}, say: lean has "
        f"{fit.value('lean'):.0f} kg/m³ (95 % interval {low:.0f} to {high:.0f})"
    )
    if "offset" in fit.names:
        offset_mm, u_mm = fit.value("offset"), fit.u("offset")
        seen = "too thin" if offset_mm < 0 else "too thick"
        if abs(offset_mm) > 2 * u_mm:
            text += f", and the scanner sees pieces {abs(offset_mm):.2f} ± {u_mm:.2f} mm {seen}"
        else:
            text += f"; no height offset is shown ({offset_mm:+.2f} ± {u_mm:.2f} mm)"
    return text + ". Behind ± stands the standard uncertainty."


def _verdict(study: DensityStudy) -> str:
    judgement = study.judgement
    if judgement.verdict == "no density in use":
        return "No density was in use, so there is no assumption to judge."
    low, high = judgement.interval_90_percent
    value = f"{judgement.assumption.lean_kg_m3:g} kg/m³"
    words = {
        "holds": f"{value}, the density in use, holds within ± {judgement.tolerance_percent:g} %.",
        "does not hold": f"{value}, the density in use, does not hold.",
        "not settled": f"Whether {value}, the density in use, holds is not settled.",
    }[judgement.verdict]
    return (
        f"{words} By it alone portions are predicted {judgement.bias_percent:+.2f} % off (90 % "
        f"interval {low:+.2f} to {high:+.2f} %; above 0: predicted too heavy). All errors "
        f"together, the pieces weighed here were predicted {judgement.mass_bias_percent:+.2f} ± "
        f"{judgement.u_mass_bias_percent:.2f} % off."
    )


def _mood(study: DensityStudy) -> str:
    return {"holds": "good", "does not hold": "bad"}.get(study.judgement.verdict, "warn")


def _estimates(page: Page, study: DensityStudy) -> None:
    fit = study.fit
    rows = []
    for name in fit.names:
        digits = DIGITS[name]
        low, high = fit.interval(name)
        rows.append(
            [
                NAMES[name],
                f"{fit.value(name):.{digits}f}",
                f"{fit.u(name):.{digits}f}",
                f"{low:.{digits}f} to {high:.{digits}f}",
                UNITS[name],
            ]
        )
    page.table(
        ["", "value", "standard uncertainty", "95 % interval", "unit"],
        rows,
        caption=f"{fit.dof:.0f} degrees of freedom. Pieces scatter {100 * fit.scatter:.2f} % "
        "about the model beyond what scale and scanner explain. The scanner's common errors are "
        "part of the uncertainties."
        + (
            ""
            if study.choice.fat_told or "fat" not in fit.names
            else " The density of fat is not told by these weighings: it is what is usual."
        ),
    )
    if len(fit.names) > 1:
        covariance = fit.covariance + fit.run_covariance
        size = np.sqrt(np.diag(covariance))
        matrix = covariance / np.outer(size, size)
        page.table(
            ["correlation", *[NAMES[name] for name in fit.names]],
            [
                [NAMES[name], *[f"{value:+.2f}" for value in row]]
                for name, row in zip(fit.names, matrix, strict=True)
            ],
        )


def _density_figure(study: DensityStudy) -> tuple[Any, str]:
    """Weight over volume against thickness: level is density, a bend is height offset."""
    rows, fit = study.rows, study.fit
    figure, axis = new_figure(8.0, 3.8)
    thickness_mm = 10 * rows.volume_cm3 / rows.area_cm2
    apparent = 1000 * rows.weight_g / rows.volume_cm3
    for lane in np.unique(study.pieces.lane):
        here = study.pieces.lane == lane
        colour = [INK["blue"], INK["orange"], INK["violet"], INK["green"]][int(lane) % 4]
        label = f"lane {lane}" if lane else "pieces"
        axis.plot(thickness_mm[here], apparent[here], "o", ms=4, color=colour, label=label)
    grid = np.linspace(thickness_mm.min(), thickness_mm.max(), 200)
    offset = fit.value("offset") if "offset" in fit.names else 0.0
    axis.plot(
        grid,
        fit.value("lean") * (1 - offset / grid),
        color=INK["grey"],
        label="fitted: density and height offset"
        if "offset" in fit.names
        else "fitted: density alone",
    )
    axis.axhline(fit.value("lean"), color=INK["green"], ls="--", lw=1, label="density found")
    if study.judgement.assumption.stated:
        axis.axhline(
            study.judgement.assumption.lean_kg_m3,
            color=INK["red"],
            ls=":",
            lw=1.4,
            label="density in use",
        )
    axis.set_xlabel("mean thickness as measured, mm", color=INK["grey"])
    axis.set_ylabel("weight over measured volume, kg/m³", color=INK["grey"])
    axis.legend(fontsize=8, framealpha=0, labelcolor=INK["grey"])
    return figure, (
        "Each point is a piece. A level row of points is density; a bend towards thin pieces is a "
        "height offset, which weighs more there. What fat and the scale add is not drawn."
    )


def _causes(page: Page, study: DensityStudy) -> None:
    rows = []
    for cause in study.causes:
        size = (
            f"{cause.estimate:+.3g} ± {cause.u:.2g} {cause.unit}"
            if np.isfinite(cause.estimate)
            else ""
        )
        rows.append(
            [
                cause.cause,
                f"{100 * cause.evidence:.0f} %",
                size,
                ", ".join(cause.not_told_from) or "–",
                cause.detail,
            ]
        )
    page.table(
        ["cause", "evidence", "size, if it is one", "can't be told from", ""],
        rows,
        caption="Evidence is the probability that a cause plays a part, given those tried and "
        f"these data; from {100 * SHOWN:.0f} % on it is called shown. A cause that nothing speaks "
        "for stays near 10 to 35 %, because few data exclude little.",
    )


def _agreement(page: Page, study: DensityStudy) -> None:
    page.text(
        "Predicting each piece from all the others misses its weight by "
        f"{study.rms_left_out_percent:.2f} % rms."
    )
    both = study.agreement_percent
    label = (
        "predicted by the density in use"
        if study.judgement.assumption.stated
        else "predicted from the other pieces"
    )
    page.figure(*_agreement_figure(study, both, label))
    rows = [[label, *_limits(both)]]
    if study.judgement.assumption.stated:
        rows.append(["predicted from the other pieces", *_limits(study.left_out_percent)])
    page.table(
        ["predicted minus weighed", "bias", "95 % interval", "limits of agreement", "± of a limit"],
        rows,
        caption="In percent of the weight, after Bland & Altman 1986: 95 % of single pieces are "
        "expected within the limits."
        f" Lin's concordance {study.lin.coefficient:.4f} "
        f"({study.lin.interval[0]:.4f} to {study.lin.interval[1]:.4f}).",
    )


def _limits(found: Agreement) -> list[str]:
    half = (found.high_interval[1] - found.high_interval[0]) / 2
    return [
        f"{found.bias:+.2f} %",
        f"{found.bias_interval[0]:+.2f} to {found.bias_interval[1]:+.2f} %",
        f"{found.limits[0]:+.2f} to {found.limits[1]:+.2f} %",
        f"{half:.2f} %",
    ]


def _agreement_figure(study: DensityStudy, found: Agreement, label: str) -> tuple[Any, str]:
    rows = study.rows
    predicted = study.pieces.predicted_g
    if not np.isfinite(predicted).all():
        predicted = rows.weight_g - study.fit.left_out_g
    figure, axis = new_figure(8.0, 3.4)
    mean_g = (predicted + rows.weight_g) / 2
    axis.plot(
        mean_g, 100 * (predicted - rows.weight_g) / rows.weight_g, "o", ms=4, color=INK["blue"]
    )
    for value, interval, colour in (
        (found.bias, found.bias_interval, INK["green"]),
        (found.limits[0], found.low_interval, INK["orange"]),
        (found.limits[1], found.high_interval, INK["orange"]),
    ):
        axis.axhline(value, color=colour, lw=1.2)
        for end in interval:
            axis.axhline(end, color=colour, lw=0.7, ls=":")
    axis.axhline(0, color=INK["grey"], lw=0.6)
    axis.set_xlabel("mean of predicted and weighed, g", color=INK["grey"])
    axis.set_ylabel("predicted − weighed, %", color=INK["grey"])
    return figure, (
        f"Agreement of what is {label} with the scale: bias (green) and limits of agreement "
        "(orange) with their 95 % intervals (dotted)."
    )


def _residuals(page: Page, study: DensityStudy) -> None:
    shown = [
        ("mean thickness, mm", study.pieces.thickness_mm),
        ("time from the first piece, s", study.pieces.time_s - np.nanmin(study.pieces.time_s))
        if np.isfinite(study.pieces.time_s).all()
        else ("order on the belt", np.arange(study.n_used, dtype=np.float64)),
        ("place across the belt, mm", study.pieces.y_mm),
        ("temperature, °C", study.pieces.temperature_c),
        ("minutes since the scan", study.minutes_after_scan),
    ]
    shown = [
        (name, values) for name, values in shown if np.isfinite(values).all() and np.ptp(values) > 0
    ]
    if shown:
        n_rows = -(-len(shown) // 2)
        figure, axes = new_figure(8.0, 2.3 * n_rows, nrows=n_rows, ncols=2, squeeze=False)
        u = study.fit.residual_g / study.fit.u_residual_g
        for axis, (name, values) in zip(axes.flat, shown, strict=False):
            axis.plot(values, u, "o", ms=3, color=INK["blue"])
            axis.axhline(0, color=INK["grey"], lw=0.6)
            axis.set_xlabel(name, color=INK["grey"])
            axis.set_ylabel("residual, in u", color=INK["grey"])
        for axis in axes.flat[len(shown) :]:
            axis.set_axis_off()
        page.figure(
            figure,
            "Weight minus model, in expected standard deviations: a band without slope is good.",
        )
    page.table(
        ["residuals against", "p", "p, all tests counted", "connection"],
        [
            [
                test.against,
                f"{test.p:.3f}",
                f"{test.p_all:.3f}",
                "shown" if test.shown else "not shown",
            ]
            for test in study.residual_tests
        ],
    )


def _set_aside(page: Page, study: DensityStudy) -> None:
    for note in study.notes:
        page.text(f"{note}.", kind="warn" if note.isupper() or "SHIFTED" in note else "soft")
    if not study.set_aside:
        page.text("None: every row was used.")
        return
    page.table(
        ["recording", "piece", "row of the file", "why"],
        [
            [
                item.recording or "–",
                "–" if item.piece is None else item.piece,
                "–" if item.row is None else item.row,
                item.why,
            ]
            for item in study.set_aside
        ],
        caption="Named and left out, never repaired: correct the weights file and run again.",
    )
