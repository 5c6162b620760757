"""The page on whether this light tells this fat from this lean."""

from collections.abc import Sequence

import numpy as np

from geomscan.report.page import INK, Page, new_figure
from geomscan.tissue.separability import Separability

__all__ = ["tissue_page"]

_ANSWERS = {
    "yes": ("Yes: on these marks the light tells fat from lean.", "good"),
    "with care": ("With care: the light tells them apart, but not safely.", "warn"),
    "no": ("No: on these marks the light cannot tell fat from lean.", "bad"),
}


def tissue_page(seen: Separability, recordings: Sequence[str]) -> str:
    """Render verdict, separability, confusion and settings as one page."""
    page = Page(
        "Fat and lean: can this light tell them apart?",
        f"Judged on {seen.n_patches_fat} patches of fat and {seen.n_patches_lean} of lean that a "
        f"person marked on {', '.join(recordings)}.",
    )
    answer, kind = _ANSWERS[seen.verdict]
    page.text(answer, kind=kind)
    if seen.reasons:
        page.points(seen.reasons)
    page.heading("Light of the marked cells")
    page.table(
        ["figure", "value", "what it says"],
        [
            ("contrast", f"{seen.contrast:.2f}", "median of fat over median of lean"),
            ("AUC", f"{seen.auc:.3f}", "chance that a fat cell is brighter; 0.5 tells nothing"),
            ("AUC less shading", f"{seen.auc_shaded:.3f}", "after slope and place are taken out"),
            ("d′", f"{seen.d_prime:.2f}", "difference over scatter, on the logarithm"),
            ("best limit", f"{seen.limit:.4g}", "reflectance that splits the marks best"),
        ],
    )
    figure, axis = new_figure(7, 3)
    both = np.concatenate([seen.lean_light, seen.fat_light])
    low, high = (float(value) for value in np.quantile(both, [0.001, 0.999]))
    if low < high:
        edges = np.geomspace(low, high, 60)
        for values, name, ink in (
            (seen.lean_light, "lean", INK["red"]),
            (seen.fat_light, "fat", INK["blue"]),
        ):
            axis.hist(values, bins=edges, density=True, alpha=0.6, color=ink, label=name)
    axis.axvline(seen.limit, color=INK["grey"], linestyle="--")
    axis.set_xlabel("reflectance, grey levels")
    axis.set_ylabel("density")
    axis.legend(fontsize=8, framealpha=0.3)
    page.figure(figure, "Reflectance of the marked cells; dashed: the limit that splits them best.")
    page.heading("Ways of telling apart, on the marked cells")
    page.table(
        ["way", "lean right", "lean as fat", "fat right", "fat as lean", "balanced, %"],
        [
            (
                method + (" (chosen)" if method == seen.settings.method else ""),
                table.lean_as_lean,
                table.lean_as_fat,
                table.fat_as_fat,
                table.fat_as_lean,
                f"{100 * table.balanced_accuracy:.1f}",
            )
            for method, table in seen.confusion.items()
        ],
        caption="Judged on the same marks that the limit and the shift were found on: figures for "
        "other pieces will be a little worse.",
    )
    page.heading("Settings")
    page.table(
        ["key of [tissue]", "value"],
        [(key, value) for key, value in seen.settings.model_dump(exclude_none=True).items()],
    )
    page.text(
        "The claim is bulk fat at the surface (rind, seams, cover fat). Fine marbling is not "
        "claimed: light alone does not reach published accuracy on it. The depth of cover fat is a "
        "setting (common practice, no source), and the mass of fat rests on it.",
        kind="warn",
    )
    page.cautions()
    return page.render()
