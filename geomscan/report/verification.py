"""The page of a verification: what another block, a ball or the bare belt said of a calibration."""

from typing import TYPE_CHECKING

import numpy as np

from geomscan.report.page import INK, Page, new_figure

if TYPE_CHECKING:
    from geomscan.commissioning.verify import Verification
    from geomscan.recording.block import ReferenceBlock, RoundReference
    from geomscan.scanner.calibration import ScannerCalibration

__all__ = ["verification_page"]


def verification_page(
    calibration: "ScannerCalibration",
    found: "Verification",
    block: "ReferenceBlock | RoundReference | None",
) -> str:
    """Render what a calibration measured on something known, ready to print."""
    what = (
        "the bare belt" if block is None else f"{block.name}, serial {block.serial or 'not given'}"
    )
    page = Page("Verification of a scanner calibration", lead=f"Measured on {what}.")
    if found.passed:
        page.text("Passed: every check is within its limit.", kind="good")
    else:
        page.points(list(found.failures), kind="bad")
    page.heading("What was verified with what")
    page.table(
        ("", ""),
        [
            ("calibration made", str(calibration.origin.get("made", "not known"))),
            ("certificate", (block.certificate if block else "") or "not given"),
        ],
    )
    if found.steps:
        _steps(page, found)
    if found.widths or found.length_mm is not None:
        _widths(page, found)
    if found.probing:
        _probing(page, found)
    if found.flatness:
        page.heading("Bare belt")
        page.table(
            ("recording", "head", "mean height, mm", "peak to peak, mm", "rms, mm"),
            [
                (
                    f.recording, f.head, f"{f.mean_mm:+.4f}", f"{f.peak_to_peak_mm:.4f}",
                    f"{f.rms_mm:.4f}",
                )
                for f in found.flatness
            ],
            caption="Of means over 16 columns and all bare lines.",
        )  # fmt: skip
    page.cautions()
    return page.render()


def _steps(page: Page, found: "Verification") -> None:
    page.heading("Heights over the belt beside")
    page.table(
        ("recording", "head", "y, mm", "certified, mm", "error, mm", "u, mm", "E_n"),
        [
            (
                s.recording, s.head, f"{s.across_mm:.0f}", f"{s.certified_mm:.4f}",
                f"{s.error_mm:+.4f}", f"{np.hypot(s.u_height_mm, s.u_certified_mm):.4f}",
                f"{s.e_n:+.2f}",
            )
            for s in found.steps
        ],
        caption="E_n is the error over the expanded uncertainties (k = 2) of scanner and "
        "certificate together: within ±1 the two agree (ISO/IEC 17043).",
    )  # fmt: skip
    figure, axis = new_figure(8, 2.4)
    inks = ("blue", "orange", "green", "violet")
    for k, head in enumerate(dict.fromkeys(s.head for s in found.steps)):
        own = [s for s in found.steps if s.head == head]
        axis.errorbar(
            [s.across_mm + 0.8 * k for s in own],
            [1e3 * s.error_mm for s in own],
            yerr=[2e3 * float(np.hypot(s.u_height_mm, s.u_certified_mm)) for s in own],
            fmt="o", ms=4, lw=1, capsize=2, color=INK[inks[k % len(inks)]], label=f"head {head}",
        )  # fmt: skip
    axis.axhline(0, color=INK["grey"], lw=0.6)
    axis.set_xlabel("y, mm")
    axis.set_ylabel("error of height, µm")
    axis.legend(fontsize=7, frameon=False, labelcolor=INK["grey"])
    page.figure(figure, "Errors of height with their expanded uncertainties (k = 2).")


def _widths(page: Page, found: "Verification") -> None:
    page.heading("Widths and length")
    rows = [
        (
            w.recording, w.head, f"width at height {w.at_mm:g} mm", f"{w.certified_mm:.4f}",
            f"{w.error_mm:+.4f}", f"{np.hypot(w.u_width_mm, w.u_certified_mm):.4f}",
            f"{w.e_n:+.2f}",
        )
        for w in found.widths
    ]  # fmt: skip
    if found.length_mm is not None and found.certified_length_mm is not None:
        error = found.length_mm - found.certified_length_mm
        u = found.u_length_mm or float("nan")
        rows.append(
            (
                "all", "all", "length along travel", f"{found.certified_length_mm:.4f}",
                f"{error:+.4f}", f"{u:.4f}", "",
            )
        )  # fmt: skip
    page.table(("recording", "head", "what", "certified, mm", "error, mm", "u, mm", "E_n"), rows)


def _probing(page: Page, found: "Verification") -> None:
    page.heading("Probing errors")
    page.table(
        (
            "recording", "head", "surface", "certified radius, mm", "diameter error, mm", "u, mm",
            "E_n", "form, mm", "95 % within, mm", "points",
        ),
        [
            (
                p.recording, p.head, p.kind, f"{p.certified_mm:.4f}", f"{p.size_error_mm:+.4f}",
                f"{2 * np.hypot(p.u_radius_mm, p.u_certified_mm):.4f}", f"{p.e_n:+.2f}",
                f"{p.form_mm:.4f}", f"{p.form95_mm:.4f}", str(p.n_points),
            )
            for p in found.probing
        ],
        caption="Of single points of single lines against the least-squares surface with its "
        "radius free, as probing errors of size and form are meant in VDI/VDE 2634: form is the "
        "range of distances with 3 per mille of the points left out.",
    )  # fmt: skip
