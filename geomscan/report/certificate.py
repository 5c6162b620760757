"""The calibration certificate: what was calibrated with what, how well, and what to do next."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.budget import advise, budget_of
from geomscan.commissioning.observations import Kind
from geomscan.report.page import INK, Page, new_figure
from geomscan.scanner.modes import common_modes

if TYPE_CHECKING:
    from geomscan.commissioning.calibrate import Evidence
    from geomscan.commissioning.verify import Verification
    from geomscan.recording.block import ReferenceBlock
    from geomscan.scanner.calibration import ScannerCalibration

__all__ = ["Check", "certificate_page", "refusal_page"]

Floats = npt.NDArray[np.float64]

_PASS_INK = ("blue", "orange", "green", "violet", "red", "grey")


@dataclass(frozen=True, kw_only=True, slots=True)
class Check:
    """One limit that the user gave, and what was found."""

    name: str
    found: float
    limit: float

    @property
    def met(self) -> bool:
        """Whether the limit is kept; NaN never is."""
        return self.found <= self.limit


def certificate_page(
    calibration: "ScannerCalibration",
    evidence: "Evidence",
    *,
    checks: Sequence[Check] = (),
    previous: "ScannerCalibration | None" = None,
    as_found: "Verification | None" = None,
    as_left: "Verification | None" = None,
) -> str:
    """Render the certificate of a calibration.

    Parameters
    ----------
    checks : sequence of Check
        Limits that the user gave.
    previous, as_found, as_left : optional
        The calibration that was in use, and the passes measured with it and with the new one.
    """
    block = calibration.origin["block"]
    passes = calibration.origin["passes"]
    heads = ", ".join(calibration.heads)
    n = len(passes)
    page = Page(
        "Scanner calibration certificate",
        lead=f"Head {heads}: calibrated on {n} pass{'es' if n > 1 else ''} of block "
        f"{block['name']}, "
        f"serial {block['serial'] or 'not given'}.",
    )
    for check in checks:
        page.text(
            f"{check.name}: {check.found:.4g}, limit {check.limit:.4g}: "
            f"{'met' if check.met else 'not met'}",
            kind="good" if check.met else "bad",
        )
    _what_with_what(page, calibration)
    _results(page, calibration)
    _residuals(page, evidence)
    _coverage(page, calibration, evidence)
    _uncertainty_maps(page, calibration)
    _budget(page, calibration, evidence)
    _passes(page, evidence)
    if previous is not None and as_found is not None and as_left is not None:
        _as_found(page, calibration, previous, as_found, as_left)
    page.heading("What was assumed, and what to do next")
    page.points(list(calibration.origin.get("assumptions", ())))
    warnings = list(calibration.origin.get("warnings", ()))
    if warnings:
        page.points(warnings, kind="warn")
    page.text(advise(evidence.fit, calibration).text)
    page.cautions()
    return page.render()


def refusal_page(
    message: str,
    *,
    block: "ReferenceBlock",
    recordings: Sequence[str],
    pictures: Mapping[str, Floats],
) -> str:
    """Render the page of a calibration that was refused.

    Parameters
    ----------
    message : str
        What was wrong, with its figures.
    recordings : sequence of str
        The recordings given.
    pictures : dict of ndarray, shape (n_lines, n_columns)
        Rows of the laser line, by pass and head.
    """
    page = Page("Scanner calibration refused", lead="No calibration file was written.")
    page.text(message, kind="bad")
    page.heading("What was given")
    page.points([f"block {block.name}, serial {block.serial or 'not given'}", *recordings])
    if pictures:
        page.heading("What was seen")
        n = len(pictures)
        figure, axes = new_figure(
            8, 1.9 * ((n + 1) // 2), nrows=(n + 1) // 2, ncols=2, squeeze=False
        )
        for axis in axes.flat[n:]:
            axis.set_visible(False)
        for axis, (name, rows) in zip(axes.flat, pictures.items(), strict=False):
            axis.imshow(rows[::2, ::4], aspect="auto", cmap="viridis", interpolation="nearest")
            axis.set_title(name)
            axis.set_xticks([])
            axis.set_yticks([])
        page.figure(figure, "Row of the laser line in every column (across) of every line (down).")
    page.cautions()
    return page.render()


def _what_with_what(page: Page, calibration: "ScannerCalibration") -> None:
    origin = calibration.origin
    block = origin["block"]
    temperature = origin.get("temperature_c")
    page.heading("What was calibrated with what")
    rows = [
        ("made", origin["made"]),
        ("block", f"{block['name']}, serial {block['serial'] or 'not given'}"),
        ("certificate", block["certificate"] or "not given"),
        (
            "u of the block's heights, common height, across, length",
            f"{block['u_height_mm']:g}, {block['u_common_height_mm']:g}, {block['u_across_mm']:g}, "
            f"{block['u_length_mm']:g} mm",
        ),
        ("temperature", "not recorded" if temperature is None else f"{temperature:.1f} °C"),
        (
            "sensors",
            ", ".join(
                f"{h.name}: {h.sensor_size[0]} × {h.sensor_size[1]} px"
                for h in calibration.heads.values()
            ),
        ),
    ]
    page.table(("", ""), rows)
    page.table(
        ("recording", "block lay", "SHA-256"),
        [
            (
                p["name"],
                "turned end for end" if p["reversed"] else "not turned",
                p["sha256"][:16] + "…",
            )
            for p in origin["passes"]
        ],
    )


def _results(page: Page, calibration: "ScannerCalibration") -> None:
    page.heading("Results")
    figures = calibration.figures
    rows = [
        (
            "belt travel a count",
            f"{calibration.mm_per_count:.7g} mm",
            f"{calibration.u_mm_per_count:.2g} mm",
        )
    ]
    for laser, sheet in calibration.sheets.items():
        rows += [
            (f"sheet {laser}: tilt", f"{sheet.tilt_deg:.4f}°", f"{sheet.u_tilt_deg:.2g}°"),
            (f"sheet {laser}: skew", f"{sheet.skew_deg:.4f}°", f"{sheet.u_skew_deg:.2g}°"),
        ]
        if np.isfinite(sheet.fan_z_mm):
            rows += [
                (
                    f"sheet {laser}: fan starts at y",
                    f"{sheet.fan_y_mm:.2f} mm",
                    f"{sheet.u_fan_y_mm:.2g} mm",
                ),
                (
                    f"sheet {laser}: fan starts at z",
                    f"{sheet.fan_z_mm:.2f} mm",
                    f"{sheet.u_fan_z_mm:.2g} mm",
                ),
            ]
    page.table(("", "value", "standard uncertainty u"), rows)
    page.table(
        (
            "head",
            "row residual, px",
            "row noise, px",
            "height rms, mm",
            "belt rms, mm",
            "across rms, mm",
        ),
        [
            (
                name, f"{f['row_rms_px']:.4f}", f"{f['row_noise_px']:.4f}",
                f"{f['height_rms_mm']:.4f}", f"{f['belt_rms_mm']:.4f}", f"{f['across_rms_mm']:.4f}",
            )
            for name, f in figures["heads"].items()
        ],
        caption="Row residual and noise are those of single columns of single lines; heights, belt "
        "and across are means over bins of columns and lines.",
    )  # fmt: skip


def _residuals(page: Page, evidence: "Evidence") -> None:
    page.heading("Residuals")
    fit = evidence.fit
    obs, keep = fit.observations, fit.weight > 0
    y, _ = fit.model.plane(fit.values, obs.head, obs.column_px, obs.row_px)
    n = len(fit.model.heads)
    figure, axes = new_figure(8, 2.3 * n, nrows=n, ncols=2, squeeze=False)
    for h, head in enumerate(fit.model.heads):
        for axis, kinds, name in (
            (axes[h, 0], (Kind.BELT, Kind.SURFACE), "height"),
            (axes[h, 1], (Kind.SIDE,), "across"),
        ):
            own = (obs.head == h) & np.isin(obs.kind, kinds) & keep
            for run in range(len(fit.model.passes)):
                part = own & (obs.run == run)
                ink = INK[_PASS_INK[run % len(_PASS_INK)]]
                axis.plot(
                    y[part], 1e3 * fit.residual_mm[part], ".", ms=2, color=ink, rasterized=True
                )
            axis.axhline(0, color=INK["grey"], lw=0.6)
            axis.set_title(f"head {head}: {name}")
            axis.set_xlabel("y, mm")
            axis.set_ylabel("residual, µm")
    page.figure(figure, "What the fit leaves, by place across the belt; one colour a pass.")


def _coverage(page: Page, calibration: "ScannerCalibration", evidence: "Evidence") -> None:
    page.heading("Where it holds")
    fit = evidence.fit
    obs = fit.observations
    y, z = fit.model.plane(fit.values, obs.head, obs.column_px, obs.row_px)
    n = len(fit.model.heads)
    figure, axes = new_figure(8, 1.9 * n, nrows=n, squeeze=False)
    for h, head in enumerate(fit.model.heads):
        axis = axes[h, 0]
        for run, setup in enumerate(fit.model.passes):
            own = (obs.head == h) & (obs.run == run) & (obs.kind == Kind.SURFACE)
            ink = INK[_PASS_INK[run % len(_PASS_INK)]]
            axis.plot(y[own], z[own], ".", ms=3, color=ink, label=setup.name, rasterized=True)
        region = calibration.regions[head]
        outline_y = np.concatenate([region.y_mm, region.y_mm[::-1], region.y_mm[:1]])
        outline_z = np.concatenate([region.high_mm, region.low_mm[::-1], region.high_mm[:1]])
        axis.plot(outline_y, outline_z, "-", color=INK["grey"], lw=1)
        axis.set_title(f"head {head}")
        axis.set_xlabel("y, mm")
        axis.set_ylabel("z, mm")
        if h == 0:
            axis.legend(
                fontsize=7,
                ncols=5,
                frameon=False,
                labelcolor=INK["grey"],
                loc="lower right",
                bbox_to_anchor=(1.0, 1.0),
                borderaxespad=0.1,
            )
    page.figure(
        figure, "Steps seen in each pass, and the region inside which results carry no flag."
    )


def _uncertainty_maps(page: Page, calibration: "ScannerCalibration") -> None:
    n = len(calibration.heads)
    figure, axes = new_figure(8, 2.0 * n, nrows=n, ncols=2, squeeze=False)
    for h, name in enumerate(calibration.heads):
        region = calibration.regions[name]
        y = np.linspace(region.y_mm[0], region.y_mm[-1], 60)
        z = np.linspace(0, 1.2 * float(region.high_mm.max()), 40)
        yy, zz = np.meshgrid(y, z)
        modes = common_modes(calibration, name, yy, zz)
        foot = common_modes(calibration, name, float(y.mean()), 0.0)
        u_z = np.sqrt(np.sum(modes[:, 2] ** 2, axis=0))
        # the place of y = 0 is common to all: what is left tells of scale
        u_y = np.sqrt(np.sum((modes[:, 1] - foot[:, 1][:, None, None]) ** 2, axis=0))
        inside = region.outside_mm(yy, zz) <= 0
        for axis, values, what in ((axes[h, 0], u_z, "height"), (axes[h, 1], u_y, "across")):
            picture = axis.imshow(
                1e3 * values, origin="lower", aspect="auto", cmap="viridis",
                extent=(y[0], y[-1], z[0], z[-1]), vmin=0, vmax=1.5e3 * float(values[inside].max()),
            )  # fmt: skip
            bar = figure.colorbar(picture, ax=axis)
            bar.ax.tick_params(colors=INK["grey"], labelsize=7)
            axis.plot(region.y_mm, region.high_mm, "-", color="white", lw=1)
            axis.set_title(f"head {name}: u of {what}, µm")
            axis.set_xlabel("y, mm")
            axis.set_ylabel("z, mm")
    page.figure(
        figure,
        "Standard uncertainty that the calibration brings to height and across; outside the region "
        "covered (white line) it grows beyond the scale. The place of y = 0 is left out.",
    )


def _budget(page: Page, calibration: "ScannerCalibration", evidence: "Evidence") -> None:
    page.heading("Uncertainty budget")
    head = next(iter(calibration.heads))
    region = calibration.regions[head]
    y = float((region.y_mm[0] + 3 * region.y_mm[-1]) / 4)
    z = 0.8 * float(np.interp(y, region.y_mm, region.high_mm))
    budgets = budget_of(evidence.fit, calibration, head, y, z)
    names = list(next(iter(budgets.values())).rows)
    table: list[tuple[str, ...]] = [
        (row.name, *(f"{b.rows[i].contribution:.2g}" for b in budgets.values()))
        for i, row in enumerate(names)
    ]
    table.append(("combined u", *(f"{b.u:.2g}" for b in budgets.values())))
    table.append(("expanded, k = 2", *(f"{2 * b.u:.2g}" for b in budgets.values())))
    page.table(
        ("source", *budgets),
        table,
        caption=f"Head {head}, at y = {y:.0f} mm, z = {z:.0f} mm. Contributions are standard "
        "uncertainties in the unit of the column; each is the share that one kind of observation "
        "or certificate value brings to the least-squares result (JCGM 100:2008).",
    )
    excess = {k: v for k, v in evidence.fit.excess.items() if v > 1.2}
    if excess:
        what = ", ".join(f"{name} × {value:.2f}" for name, value in excess.items())
        page.text(
            f"Residuals show structure above the noise of the rows ({what}); their uncertainty was "
            "enlarged by these factors before it went into the figures above.",
            kind="warn",
        )


def _passes(page: Page, evidence: "Evidence") -> None:
    page.heading("Passes")
    fit = evidence.fit
    obs = fit.observations
    rows = []
    for run, setup in enumerate(fit.model.passes):
        own = obs.run == run
        values = [
            fit.value(f"pass.{setup.name}.{w}")
            for w in ("y_mm", "yaw_deg", "seat_mm", "roll_mrad", "pitch_mrad")
        ]
        rows.append(
            (
                setup.name, f"{values[0]:.1f}", f"{values[1]:+.2f}", f"{1e3 * values[2]:+.1f}",
                f"{values[3]:+.3f}", f"{values[4]:+.3f}", f"{setup.temperature_c:.1f}",
                str(np.count_nonzero(own)), str(np.count_nonzero(own & (fit.weight == 0))),
            )
        )  # fmt: skip
    page.table(
        (
            "pass",
            "y, mm",
            "yaw, °",
            "seat, µm",
            "roll, mrad",
            "pitch, mrad",
            "°C",
            "observations",
            "outliers",
        ),
        rows,
        caption="y of the block's first profile point; how the block sat on the belt.",
    )
    orders = evidence.order.misses
    if orders:
        page.table(
            ("lens terms", *(str(n) for n in orders)),
            [("misses a left-out pass by, × noise", *(f"{v:.2f}" for v in orders.values()))],
            caption=f"{evidence.order.n_distortion} terms were taken: more would not foretell a "
            "pass that was left out any better.",
        )


def _as_found(
    page: Page,
    calibration: "ScannerCalibration",
    previous: "ScannerCalibration",
    as_found: "Verification",
    as_left: "Verification",
) -> None:
    page.heading("As found, as left")
    left = {
        (s.recording, s.head, round(s.certified_mm, 4), round(s.across_mm)): s
        for s in as_left.steps
    }
    rows = []
    for step in as_found.steps:
        other = left.get(
            (step.recording, step.head, round(step.certified_mm, 4), round(step.across_mm))
        )
        rows.append(
            (
                step.recording, step.head, f"{step.certified_mm:.3f}", f"{step.error_mm:+.4f}",
                "" if other is None else f"{other.error_mm:+.4f}",
            )
        )  # fmt: skip
    page.table(("pass", "head", "step, mm", "error as found, mm", "error as left, mm"), rows)
    if as_found.failures:
        page.text(
            f"As found, {len(as_found.failures)} checks were not met; the first: "
            f"{as_found.failures[0]}.",
            kind="bad",
        )
    n = len(calibration.heads)
    figure, axes = new_figure(8, 2.0 * n, nrows=n, squeeze=False)
    for h, name in enumerate(calibration.heads):
        region = calibration.regions[name]
        y = np.linspace(region.y_mm[0], region.y_mm[-1], 80)
        z = np.linspace(0, float(region.high_mm.max()), 40)
        yy, zz = np.meshgrid(y, z)
        pixel = calibration.head(name).from_plane(yy, zz)
        change = zz - previous.head(name).to_plane(*pixel)[1]
        axis = axes[h, 0]
        picture = axis.imshow(
            1e3 * change,
            origin="lower",
            aspect="auto",
            cmap="coolwarm",
            extent=(y[0], y[-1], z[0], z[-1]),
        )
        figure.colorbar(picture, ax=axis).ax.tick_params(colors=INK["grey"], labelsize=7)
        axis.set_title(f"head {name}: new height less old, µm")
        axis.set_xlabel("y, mm")
        axis.set_ylabel("z, mm")
    page.figure(figure, "How heights move with the new calibration.")
