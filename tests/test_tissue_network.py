"""The shipped network: what may be loaded, what must be refused before anything of it runs."""

import hashlib
import json
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from geomscan.errors import InputError
from geomscan.files import shipped_folder
from geomscan.tissue import network
from geomscan.tissue.network import (
    MODEL_FILE,
    MODEL_SHA256,
    N_CHANNELS,
    load_network,
    run_network,
)


def model_bytes() -> bytes:
    return (shipped_folder("models") / MODEL_FILE).read_bytes()


@pytest.fixture
def nothing_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Any attempt to open a model fails the test."""
    import onnxruntime

    def opened(*_: Any, **__: Any) -> None:
        pytest.fail("a model was opened that should have been refused")

    monkeypatch.setattr(onnxruntime, "InferenceSession", opened)


def fields(message: bytes) -> dict[int, list[Any]]:
    """Top-level fields of a protocol-buffer message: whole numbers, and bytes of nested ones."""
    found: dict[int, list[Any]] = {}
    at = 0

    def varint() -> int:
        nonlocal at
        value = shift = 0
        while True:
            byte = message[at]
            at += 1
            value |= (byte & 127) << shift
            shift += 7
            if byte < 128:
                return value

    while at < len(message):
        key = varint()
        if key & 7 == 0:
            found.setdefault(key >> 3, []).append(varint())
        else:
            assert key & 7 == 2
            size = varint()
            found.setdefault(key >> 3, []).append(message[at : at + size])
            at += size
    return found


def test_hashes_agree() -> None:
    """The file, the code, the training record and the card name one model."""
    folder = shipped_folder("models")

    assert hashlib.sha256(model_bytes()).hexdigest() == MODEL_SHA256
    assert json.loads((folder / "fat-lean.json").read_text())["sha256"] == MODEL_SHA256
    assert MODEL_SHA256 in (folder / "CARD.md").read_text()


def test_opset_and_format_version() -> None:
    """ModelProto of the ONNX standard: field 1 is the IR version, field 8 holds the opsets."""
    model = fields(model_bytes())

    assert model[1] == [8]
    assert [fields(opset).get(2) for opset in model[8]] == [[17]]


def test_only_the_processor_is_asked_for() -> None:
    assert load_network().get_providers() == ["CPUExecutionProvider"]


def changed(content: bytes) -> bytes:
    return content[:1000] + bytes([content[1000] ^ 1]) + content[1001:]


@pytest.mark.usefixtures("nothing_runs")
@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("cut", model_bytes()[:-1]),
        ("one bit changed", changed(model_bytes())),
        ("more at its end", model_bytes() + b"\0"),
        ("empty", b""),
        ("a Python object", b"\x80\x04\x95\x10\x00\x00\x00\x00\x00\x00\x00\x8c\x02os."),
        ("far too large", b"\x08\x08" * 2_500_000),
    ],
)
def test_another_file_is_refused_and_nothing_of_it_runs(
    name: str, content: bytes, tmp_path: Path
) -> None:
    path = tmp_path / "model.onnx"
    path.write_bytes(content)

    with pytest.raises(InputError, match="not the tissue model of this release") as caught:
        load_network(path)
    assert "\n" not in str(caught.value), name


@pytest.mark.usefixtures("nothing_runs")
def test_an_absent_model_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        load_network(tmp_path / "none.onnx")
    with pytest.raises(InputError, match="cannot be read"):
        load_network(tmp_path)


@pytest.mark.usefixtures("nothing_runs")
def test_a_swapped_model_is_exit_2_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from geomscan.cli.output import whole_command

    (tmp_path / MODEL_FILE).write_bytes(changed(model_bytes()))
    monkeypatch.setattr(network, "_shipped", lambda: tmp_path / MODEL_FILE)

    @whole_command
    def command() -> None:
        load_network()

    with pytest.raises(SystemExit) as left:
        command()
    assert left.value.code == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_an_empty_margin_hardly_moves_the_answer() -> None:
    """A lean slab with one patch of fat, once on a tight grid and once on one twice as wide."""
    rng = np.random.default_rng(3)
    tight = np.zeros((N_CHANNELS, 32, 24), np.float32)
    slab = np.s_[1:31, 1:23]
    light = tight[:16]
    light[:, 1:31, 1:23] = rng.normal(0, 0.05, (16, 30, 22))
    light[:, 10:18, 8:15] += 0.5
    tight[16:36, 1:31, 1:23] = 1  # seen, and the piece
    tight[-1][slab] = 1
    wide = np.zeros((N_CHANNELS, 64, 48), np.float32)
    wide[:, :32, :24] = tight
    session = load_network()

    def fat(features: Any) -> Any:
        out = run_network(session, features)
        return 1 / (1 + np.exp(-(out[:16] + out[16:] * features[:16])))[:, 1:31, 1:23]

    near, far = fat(tight), fat(wide)

    assert near[:, 10:16, 8:13].mean() > 0.9
    # the share of fat is claimed to 0.01; a margin may take a tenth of that
    assert float(np.mean(near - far)) == pytest.approx(0, abs=1e-3)


@pytest.mark.slow
def test_a_map_of_512_by_256_takes_under_10_ms_on_two_cores() -> None:
    """The best of many rounds: other work on the machine only ever adds."""
    session = load_network()
    features = np.zeros((N_CHANNELS, 128, 64), np.float32)
    times = []
    for _ in range(60):
        start = time.perf_counter()
        run_network(session, features)
        times.append(time.perf_counter() - start)

    assert min(times) < 0.010
