"""Both ways on simulated pieces with known fat, of kinds and seeds that training never saw."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from scipy.stats import binomtest

from geomscan.tissue.classify import classify
from geomscan.tissue.settings import TissueSettings

MODELS = Path(__file__).parents[1] / "models"
#: Seeds of these tests: not those of training, of the uncertainty's constants or of the card.
FIRST_SEED = 20_000_000


def load(name: str) -> ModuleType:
    """Import a module of the training recipe, which is no package."""
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, MODELS / f"{name}.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


def overlap(scene: Any, probability: np.ndarray) -> float:
    taken = np.nan_to_num(probability) > 0.5
    cover = scene.piece.cover
    return float((cover * (taken & scene.fat)).sum() / (cover * (taken | scene.fat)).sum())


def test_a_scene_is_its_seed() -> None:
    scenes = load("scenes")
    one, same, other = (scenes.draw_scene(seed, scenes.JUDGED[0]) for seed in (3, 3, 4))

    assert np.array_equal(one.piece.reflectance, same.piece.reflectance, equal_nan=True)
    assert one.piece.cover.shape != other.piece.cover.shape


def test_judged_kinds_are_no_training_kinds() -> None:
    scenes = load("scenes")

    assert not {kind.name for kind in scenes.JUDGED} & {kind.name for kind in scenes.TRAINED}
    assert {kind.grain for kind in scenes.JUDGED} == {"fibres"}
    assert "seams" not in {kind.patches for kind in scenes.TRAINED}
    assert "union" not in {kind.outline for kind in scenes.TRAINED}


def test_the_truth_of_a_scene_is_its_light() -> None:
    """Reference: without shade, noise and glare, fat cells are brighter by the contrast drawn."""
    scenes = load("scenes")
    scene = scenes.draw_scene(12, scenes.TRAINED[0], cell_mm=0.6)
    light = np.log(np.where(scene.piece.glare, np.nan, scene.piece.reflectance))
    core = scene.piece.cover == 1
    fat, lean = light[core & scene.fat], light[core & ~scene.fat]

    assert np.nanmedian(fat) > np.nanmedian(lean)
    share = float((scene.fat * scene.piece.cover).sum() / scene.piece.cover.sum())
    # cells of 0.6 mm against a grid three times finer
    assert share == pytest.approx(scene.fat_area_fraction, abs=0.002)


def test_nine_scenes_by_both_ways() -> None:
    """A quick look at what the slow tests prove; the median of nine scatters by about 0.01."""
    scenes = load("scenes")
    found: dict[str, list[float]] = {"network": [], "mixture": []}
    for k in range(9):
        scene = scenes.draw_scene(FIRST_SEED + k, scenes.JUDGED[k % 3], cell_mm=0.8)
        for method, overlaps in found.items():
            tissue = classify(scene.piece, TissueSettings.model_validate({"method": method}))
            overlaps.append(overlap(scene, tissue.fat_probability))

    assert np.median(found["network"]) > 0.95
    assert np.median(found["mixture"]) > 0.93


@pytest.mark.slow
def test_three_hundred_scenes_and_as_many_lean_ones() -> None:
    """Overlap 0.93 in the median and 0.85 at the 5th percentile; share within 0.01 for 95 %.

    All-lean pieces: under 0.5 % fat in 99 %.
    """
    scenes = load("scenes")
    overlaps, errors, lean = [], [], []
    for k in range(300):
        kind, seed = scenes.JUDGED[k % 3], FIRST_SEED + 1000 + k
        scene = scenes.draw_scene(seed, kind)
        if scene.fat.any():
            tissue = classify(scene.piece, TissueSettings())
            overlaps.append(overlap(scene, tissue.fat_probability))
            errors.append(tissue.fat_area_fraction - scene.fat_area_fraction)
        bare = scenes.draw_scene(seed + 100_000, kind, lean=True)
        lean.append(classify(bare.piece, TissueSettings()).fat_area_fraction)

    assert np.median(overlaps) >= 0.93
    assert np.quantile(overlaps, 0.05) >= 0.85
    assert np.mean(np.abs(errors) <= 0.01) >= 0.95
    assert np.mean(np.array(lean) < 0.005) >= 0.99


@pytest.mark.slow
def test_coverage_of_the_share(monkeypatch: pytest.MonkeyPatch) -> None:
    """The share's 95 % interval holds the truth in 95 % of scenes.

    Reference: exact binomial test over 350 scenes of kinds that neither training nor the constants
    of the uncertainty knew; not rejected at the 1 % level. The common shift of all outlines is left
    out of the uncertainty: it stands for a blur of unknown kind, and these scenes have one kind.
    """
    module = sys.modules["geomscan.tissue.classify"]
    monkeypatch.setattr(module, "U_OUTLINE_MM", 0.0)
    scenes = load("scenes")
    inside = []
    for k in range(350):
        scene = scenes.draw_scene(FIRST_SEED + 200_000 + k, scenes.JUDGED[k % 3])
        tissue = classify(scene.piece, TissueSettings())
        off = abs(tissue.fat_area_fraction - scene.fat_area_fraction)
        inside.append(off <= 1.96 * tissue.u_fat_area_fraction)

    assert binomtest(sum(inside), len(inside), 0.95).pvalue > 0.01


@pytest.mark.real_data
@pytest.mark.slow
def test_ray_cast_fillets() -> None:
    """Reference: plan share of the bright tissue of pieces rendered by an independent program."""
    import json

    from geomscan.commissioning.calibrate import calibrate
    from geomscan.recording.block import read_block
    from geomscan.recording.recording import open_recording
    from geomscan.runs.chain import measure_pieces
    from geomscan.runs.scan import open_scan
    from geomscan.runs.settings import Settings

    folder = MODELS.parent.parent / "shared" / "raycast"
    if not folder.is_dir():
        pytest.skip(f"{folder} is absent")
    block = read_block(folder / "staircase.toml")
    passes = [open_recording(folder / f"block{k}") for k in range(5)]
    calibration, _ = calibrate(passes, block)
    truth = json.loads((folder / "truth.json").read_text())["fillets"]
    for method in ("network", "mixture"):
        settings = Settings(tissue=TissueSettings.model_validate({"method": method}))
        scan = open_scan(open_recording(folder / "fillets"), calibration, line=settings.line)
        pieces = sorted(
            measure_pieces(scan, settings, None), key=lambda measured: measured.piece.x0_mm
        )

        assert [measured.piece.lane for measured in pieces] == [1, 2, 1, 2, 1, 2]
        assert [measured.tissue.fat_area_fraction for measured in pieces] == pytest.approx(
            [piece["fat_area_fraction"] for piece in truth], abs=0.01
        )
