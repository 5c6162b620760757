"""What goes wrong with encoder and lines: volumes hold, and the report names each event."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from geomscan.cli import main
from geomscan.simulation.random_pieces import Kind, random_piece, usual_scene
from geomscan.simulation.recordings import simulate
from geomscan.simulation.scene import EncoderScene, Piece

UNDISTURBED = EncoderScene()
#: 1 % of the lines lost, a counter of 16 bits that rolls over, a stop of 20 lines, 5 mm back
DISTURBED = EncoderScene(
    start=61_000, wrap_bits=16, dropped_share=0.01, stop_at_line=200, stop_lines=20,
    back_at_line=290, back_mm=5.0,
)  # fmt: skip


def measured(
    folder: Path, pieces: tuple[Piece, ...], encoder: EncoderScene, *, n_heads: int, n_lines: int
) -> tuple[list[dict[str, str]], str]:
    """Rows of pieces.csv and the report's text of a simulated recording of heights."""
    scene = usual_scene(
        n_lines=n_lines, n_heads=n_heads, pieces=pieces, seed=3, payload="height"
    ).model_copy(update={"encoder": encoder})
    simulate(scene, folder / "recording", replace=True)
    with pytest.raises(SystemExit) as left:
        main(["measure", str(folder / "recording"), "--out", str(folder / "out"), "--replace"])
    assert not left.value.code
    with (folder / "out" / "pieces.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return rows, (folder / "out" / "report.html").read_text(encoding="utf-8")


def drawn(kinds: list[Kind]) -> tuple[Piece, ...]:
    """Two lanes of pieces, the first one from x = 100 mm on."""
    rng = np.random.default_rng(8)
    return tuple(
        random_piece(rng, kind, at_mm=(110.0 + 190.0 * (i // 2), 95.0 if i % 2 == 0 else -95.0))
        for i, kind in enumerate(kinds)
    )


def assert_named(report: str) -> None:
    for said in ("rolled over at 2^16", "without a frame", "stood still", "ran backwards by 100"):
        assert said in report


def test_volumes_and_report_of_a_disturbed_recording(tmp_path: Path) -> None:
    # truth: the volumes of the solids in the scene, by the divergence theorem on their surfaces
    pieces = drawn(["fillet", "cap"])
    rows, report = measured(tmp_path, pieces, DISTURBED, n_heads=2, n_lines=420)
    truth = json.loads((tmp_path / "recording" / "truth.json").read_text())["pieces"]
    assert len(rows) == len(truth) == 2
    for row in rows:
        true = min(truth, key=lambda t: abs(t["y_mm"] - float(row["y_mm"])))
        assert float(row["volume_cm3"]) == pytest.approx(true["volume_cm3"], rel=0.005)
        assert "lines_missing" in row["flags"]
    assert any("belt_stopped" in row["flags"] for row in rows)
    assert any("belt_reversed" in row["flags"] for row in rows)
    assert_named(report)


@pytest.mark.slow
@pytest.mark.parametrize("n_heads", [2, 1])
def test_disturbed_volumes_equal_undisturbed_ones(tmp_path: Path, n_heads: int) -> None:
    # reference: the same pieces recorded without events
    pieces = drawn(["fillet", "cap", "box", "wedge", "ellipsoid", "thin_fillet", "shred", "ball"])
    plain, _ = measured(tmp_path, pieces, UNDISTURBED, n_heads=n_heads, n_lines=1400)
    rows, report = measured(tmp_path, pieces, DISTURBED, n_heads=n_heads, n_lines=1440)
    assert len(rows) == len(plain) == len(pieces)
    for row, before in zip(rows, plain, strict=True):
        assert float(row["volume_cm3"]) == pytest.approx(float(before["volume_cm3"]), rel=0.005)
    assert_named(report)
