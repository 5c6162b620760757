"""Judge the ways of telling fat from lean on scenes that training never saw; figures of the card.

    python models/judge.py --scenes 1200 --out /tmp/judged.json

Seeds and scene kinds (outline, patches, grain) are other ones than those of training. Each scene is
judged with its fat, and again without any, by the network, the mixture and Otsu's limit.
"""

import argparse
import json
import multiprocessing
import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from scenes import FACETED, JUDGED, TRAINED, Scene, SceneKind, draw_scene

from geomscan.tissue.classify import classify
from geomscan.tissue.settings import TissueSettings

METHODS = ("network", "mixture", "threshold")
#: First seed of the judged scenes, and of the scenes that the uncertainty's constants came from.
JUDGED_SEED, TUNED_SEED = 10_000_000, 7_000_000
#: Kinds by name, and their first seeds.
KINDS = {
    "judged": (JUDGED, JUDGED_SEED),
    "faceted": (FACETED, JUDGED_SEED + 2_000_000),
    "trained": (tuple(kind for kind in TRAINED if kind.patches != "none"), TUNED_SEED),
}
N_BINS = 10


def judge_scene(job: tuple[int, SceneKind]) -> dict[str, Any]:
    """Figures of one scene, with and without its fat."""
    seed, kind = job
    scene = draw_scene(seed, kind)
    lean = draw_scene(seed + 500_000, kind, lean=True)
    result: dict[str, Any] = {
        "seed": seed,
        "kind": kind.name,
        "contrast": scene.contrast,
        "fat": scene.fat_area_fraction,
    }
    for method in METHODS:
        settings = TissueSettings(method=method)
        result[method] = _figures(scene, settings)
        found = classify(lean.piece, settings)
        result[method]["lean_fat"] = found.fat_area_fraction
        result[method]["lean_u"] = found.u_fat_area_fraction
    return result


def _figures(scene: Scene, settings: TissueSettings) -> dict[str, Any]:
    found = classify(scene.piece, settings)
    p, cover = found.fat_probability, scene.piece.cover
    inside = np.isfinite(p)
    taken = inside & (p > 0.5)
    either = float((cover * (taken | scene.fat)).sum())
    bins = np.minimum((p[inside] * N_BINS).astype(int), N_BINS - 1)
    share = scene.fat_share[inside]
    return {
        "iou": float((cover * (taken & scene.fat)).sum()) / either if either else 1.0,
        "error": found.fat_area_fraction - scene.fat_area_fraction,
        "u": found.u_fat_area_fraction,
        "brier": float(np.mean((p[inside] - scene.fat[inside]) ** 2)),
        "n": np.bincount(bins, minlength=N_BINS).tolist(),
        "p_sum": np.bincount(bins, weights=p[inside], minlength=N_BINS).tolist(),
        "fat_sum": np.bincount(bins, weights=share, minlength=N_BINS).tolist(),
    }


def summary(results: list[dict[str, Any]]) -> str:
    """Tables of the card, as text."""
    lines = []
    with_fat = [r for r in results if r["fat"] > 0]
    lines.append(f"{len(with_fat)} scenes with fat, {len(results)} without")
    for method in METHODS:
        iou = np.array([r[method]["iou"] for r in with_fat])
        error = np.array([r[method]["error"] for r in with_fat])
        u = np.array([r[method]["u"] for r in with_fat])
        lean = np.array([r[method]["lean_fat"] for r in results])
        brier = np.mean([r[method]["brier"] for r in with_fat])
        lines.append(
            f"{method:>9}: IoU median {np.median(iou):.4f}, 5th percentile "
            f"{np.quantile(iou, 0.05):.3f}, least {iou.min():.3f}; Brier {brier:.5f}"
        )
        lines.append(
            f"           share within 0.01: {100 * np.mean(np.abs(error) <= 0.01):.1f} %, mean "
            f"error {error.mean():+.5f}, scatter {error.std():.5f}; |error| < 1.96 u: "
            f"{100 * np.mean(np.abs(error) <= 1.96 * u):.1f} %, median u {np.median(u):.5f}"
        )
        lines.append(
            f"           lean pieces under 0.005: {100 * np.mean(lean < 0.005):.2f} %, "
            f"most {lean.max():.4f}"
        )
    for method in ("network", "mixture"):
        n, p, fat = (
            np.sum([r[method][key] for r in with_fat], axis=0) for key in ("n", "p_sum", "fat_sum")
        )
        lines.append(f"reliability, {method}: probability said, share of fat found, cells")
        lines += [
            f"  {p[k] / n[k]:.3f}  {fat[k] / n[k]:.3f}  {int(n[k])}" for k in range(N_BINS) if n[k]
        ]
    for kind in sorted({r["kind"] for r in with_fat}):
        lines.append(
            f"{kind}: "
            + ", ".join(
                f"{m} {np.median([r[m]['iou'] for r in with_fat if r['kind'] == kind]):.3f}"
                for m in METHODS
            )
        )
    worst = sorted(with_fat, key=lambda r: r["network"]["iou"])[:6]
    lines.append(
        "worst for the network: "
        + ", ".join(
            f"{r['kind']} {r['seed']} (contrast {r['contrast']:.2f}) {r['network']['iou']:.2f}"
            for r in worst
        )
    )
    return "\n".join(lines)


def main() -> None:
    """Judge and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--scenes", type=int, default=300)
    parser.add_argument("--kinds", choices=tuple(KINDS), default="judged")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    kinds, first = KINDS[options.kinds]
    jobs = [(first + k, kinds[k % len(kinds)]) for k in range(options.scenes)]
    with multiprocessing.get_context("spawn").Pool(options.jobs) as pool:
        results = list(pool.imap(judge_scene, jobs, chunksize=4))
    if options.out is not None:
        options.out.write_text(json.dumps(results))
    print(summary(results))


if __name__ == "__main__":
    main()
