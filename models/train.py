"""Train the fat and lean network on random scenes and write it as an ONNX file.

    python models/train.py --out models                    (a GPU is used where there is one)
    python models/train.py --out /tmp/new --scenes 600 --steps 1500     (on a processor)

Needs the `train` extra. Seeded: the same arguments on the same machine give the same scenes; the
weights agree as far as the machine's arithmetic does. Scenes judged in the card come from other
seeds and other kinds (`models/judge.py`).
"""

import argparse
import hashlib
import json
import multiprocessing
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).parent))

from scenes import TRAINED, draw_scene

from geomscan.tissue.network import (
    FEATURES,
    MODEL_FILE,
    N_CHANNELS,
    N_OUTPUTS,
    PATCH,
    network_features,
)
from geomscan.tissue.settings import TissueSettings
from geomscan.tissue.shading import block_surface
from geomscan.tissue.surface import read_surface

#: First seed of the scenes that calibrate the probabilities; training scenes start at 0.
CALIBRATION_SEED = 5_000_000
LEAN_SHARE = 0.15
#: Share of the rounded pieces that are shown without where they were seen from.
SIGHT_UNKNOWN = 0.1
LARGEST = (384, 240)  # cells; larger pieces are cut at random
#: Channels per patch of the network's two grids, and the reach of its separable steps on the
#: coarser one.
CHANNELS = (32, 64)
REACHES = (1, 2, 4, 8, 4, 1)


def scene_arrays(seed: int) -> tuple[npt.NDArray[np.float16], npt.NDArray[np.uint8]]:
    """Features and targets of one scene: fat share of each cell in 200ths, 255 not the piece."""
    rng = np.random.default_rng([seed, 77])
    kind = TRAINED[int(rng.integers(len(TRAINED)))]
    scene = draw_scene(seed, kind, lean=bool(rng.random() < LEAN_SHARE))
    piece = scene.piece
    if kind.body == "rounded" and rng.random() < SIGHT_UNKNOWN:
        piece = replace(piece, sight=None)
    surface = read_surface(piece, TissueSettings())
    if not surface.usable.any():
        return scene_arrays(seed + 1_000_000)
    features = network_features(surface, block_surface(surface), piece.thickness_mm)
    target = np.full((features.shape[1] * PATCH, features.shape[2] * PATCH), 255, np.uint8)
    n_x, n_y = surface.inside.shape
    target[:n_x, :n_y][surface.inside] = np.rint(200 * scene.fat_share)[surface.inside]
    i, j = (
        int(rng.integers(max(1, (n - most) // PATCH + 1)))
        for n, most in zip(target.shape, LARGEST, strict=True)
    )
    n, m = LARGEST
    return (
        features[:, i : i + n // PATCH, j : j + m // PATCH].astype(np.float16),
        target[i * PATCH : i * PATCH + n, j * PATCH : j * PATCH + m],
    )


def draw_many(first: int, n: int, n_jobs: int) -> tuple[Any, Any]:
    """Scenes as two arrays, padded to the largest size."""
    features = np.zeros((n, N_CHANNELS, LARGEST[0] // PATCH, LARGEST[1] // PATCH), np.float16)
    targets = np.full((n, *LARGEST), 255, np.uint8)
    with multiprocessing.get_context("spawn").Pool(n_jobs) as pool:
        for k, (feature, target) in enumerate(
            pool.imap(scene_arrays, range(first, first + n), chunksize=8)
        ):
            n_x, n_y = target.shape
            features[k, :, : n_x // PATCH, : n_y // PATCH] = feature
            targets[k, :n_x, :n_y] = target
    return features, targets


def build(torch: Any) -> Any:
    """Build the network: patches, patches of patches with a wide look and a mean, and back."""
    nn = torch.nn
    near, wide = CHANNELS

    class Separable(nn.Module):  # type: ignore[misc, name-defined]
        """What is added to each channel from its own neighbourhood, then mixed over channels."""

        def __init__(self, n: int, reach: int = 1) -> None:
            super().__init__()
            self.around = nn.Conv2d(n, n, 3, padding=reach, dilation=reach, groups=n)
            self.mix = nn.Conv2d(n, n, 1)

        def forward(self, x: Any, more: Any = 0.0) -> Any:
            return x + torch.relu(self.mix(self.around(x)) + more)

    class FatLean(nn.Module):  # type: ignore[misc, name-defined]
        def __init__(self) -> None:
            super().__init__()
            self.patch = nn.Conv2d(N_CHANNELS, near, 1)
            self.near1 = Separable(near)
            self.down = nn.Conv2d(near, wide, 2, stride=2)
            for k, reach in enumerate(REACHES):
                setattr(self, f"wide{k}", Separable(wide, reach))
            self.whole = nn.Conv2d(wide, wide, 1)
            self.up = nn.ConvTranspose2d(wide, near, 2, stride=2)
            self.near2, self.near3 = Separable(near), Separable(near)
            # per cell: an offset and a gain of the light itself, so outlines keep the full grid
            self.head = nn.Conv2d(near, N_OUTPUTS, 1)

        def forward(self, x: Any) -> Any:
            a = self.near1(torch.relu(self.patch(x)))
            c = torch.relu(self.down(a))
            inside = nn.functional.avg_pool2d(x[:, PLACE : PLACE + 1], 2)
            for k in range(len(REACHES)):
                more = 0.0
                if k == 1:
                    mean = (c * inside).sum((2, 3), keepdim=True) / (
                        inside.sum((2, 3), keepdim=True) + 1e-3
                    )
                    more = self.whole(mean)
                c = getattr(self, f"wide{k}")(c, more)
            a = torch.relu(a + self.up(c))
            return self.head(self.near3(self.near2(a)))

    return FatLean()


#: The channel that says where the piece is, of the first quarter of a patch.
PLACE = 2 * PATCH * PATCH


def odds_of(torch: Any, out: Any, features: Any) -> Any:
    """Log-odds of each cell, (n, n_x, n_y), from offsets, gains and light of its patch."""
    cells = PATCH * PATCH
    odds = out[:, :cells] + out[:, cells:] * features[:, :cells]
    return torch.nn.functional.pixel_shuffle(odds, PATCH)[:, 0]


def flipped(torch: Any, features: Any, targets: Any, axis: int) -> tuple[Any, Any]:
    """Turn scenes over along x (axis 0) or y (1); channels within a patch turn with them."""
    at, order = 0, []
    for _, n in FEATURES:
        side = round(n**0.5)
        grid = np.arange(at, at + n).reshape(side, side)
        order.append(np.flip(grid, axis).ravel())
        at += n
    turned = torch.from_numpy(np.concatenate(order)).to(features.device)
    features = features.flip(2 + axis)[:, turned]
    rise = 2 * PATCH * PATCH + (1 + axis) * (PATCH // 2) ** 2
    features[:, rise : rise + (PATCH // 2) ** 2] *= -1
    return features, targets.flip(1 + axis)


def disturbed(torch: Any, features: Any) -> Any:
    """Change each scene a little as another scanner would, and hide a strip of some."""
    n, device = len(features), features.device
    cells, quarters = PATCH * PATCH, (PATCH // 2) ** 2

    def drawn(spread: float) -> Any:
        return spread * torch.randn((n, 1, 1, 1), device=device)

    light, usable = features[:, :cells], features[:, cells : 2 * cells]
    first = 2 * cells + 3 * quarters
    shade = torch.nn.functional.pixel_shuffle(features[:, first : first + quarters], PATCH // 2)
    shade = torch.nn.functional.interpolate(shade, scale_factor=2)
    shade = torch.nn.functional.pixel_unshuffle(shade, PATCH)
    grain = 0.06 * torch.rand((n, 1, 1, 1), device=device) * torch.randn_like(light)
    light = light * torch.exp(drawn(0.1)) + drawn(0.02) + drawn(0.1) * shade + grain
    # what one camera does not see is a face or a strip beyond an edge
    along = torch.linspace(-1, 1, features.shape[2], device=device)[None, None, :, None]
    across = torch.linspace(-1, 1, features.shape[3], device=device)[None, None, None, :]
    facing = 2 * np.pi * torch.rand((n, 1, 1, 1), device=device)
    off = along * torch.cos(facing) + across * torch.sin(facing) + drawn(0.4)
    hidden = (off > 0) & (off < 0.4 * torch.rand((n, 1, 1, 1), device=device))
    hidden &= torch.rand((n, 1, 1, 1), device=device) < 0.25
    seen = (~hidden).float()
    return torch.cat(
        [
            (light * usable * seen).clamp(-1.5, 1.5),
            usable * seen,
            features[:, 2 * cells : 2 * cells + quarters],
            features[:, 2 * cells + quarters : -1] * seen,
            features[:, -1:] * torch.exp(drawn(0.1)),
        ],
        1,
    )


def loss_of(torch: Any, odds: Any, target: Any) -> Any:
    """Cross entropy over the piece's cells, plus the missing overlap of the fat of each scene."""
    known = (target <= 200).float()
    fat = target.float() / 200 * known
    entropy = torch.nn.functional.binary_cross_entropy_with_logits(odds, fat, reduction="none")
    entropy = (entropy * known).sum() / known.sum()
    p = torch.sigmoid(odds) * known
    both, either = (p * fat).sum((1, 2)), (p + fat - p * fat).sum((1, 2))
    with_fat = (fat.sum((1, 2)) > 0).float()
    overlap = ((1 - both / (either + 1.0)) * with_fat).sum() / with_fat.sum().clamp(min=1)
    return entropy + 0.15 * overlap


def train(torch: Any, features: Any, targets: Any, *, steps: int, batch: int, seed: int) -> Any:
    """Train on flips of the scenes; the light's slope signs turn with them."""
    torch.manual_seed(seed)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    net = build(torch).to(device)
    x, y = torch.from_numpy(features).to(device), torch.from_numpy(targets).to(device)
    best = torch.optim.AdamW(net.parameters(), lr=3e-3, weight_decay=1e-4, fused=device == "cuda")
    plan = torch.optim.lr_scheduler.OneCycleLR(best, max_lr=6e-3, total_steps=steps, pct_start=0.1)
    picks = torch.Generator().manual_seed(seed)
    started = time.time()
    total = 0.0
    for step in range(steps):
        at = torch.randint(len(x), (batch,), generator=picks).to(device)
        feature, target = x[at].float(), y[at]
        if torch.rand(1, generator=picks) < 0.5:
            feature, target = flipped(torch, feature, target, 0)
        if torch.rand(1, generator=picks) < 0.5:
            feature, target = flipped(torch, feature, target, 1)
        feature = disturbed(torch, feature)
        loss = loss_of(torch, odds_of(torch, net(feature), feature), target)
        best.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        best.step()
        plan.step()
        total += float(loss.detach()) if step % 20 == 0 else 0.0
        if step % 500 == 499:
            print(
                f"step {step + 1}: loss {total / 25:.4f}, {time.time() - started:.0f} s", flush=True
            )
            total = 0.0
    return net


def temperature_of(torch: Any, net: Any, features: Any, targets: Any) -> float:
    """Find the divisor of the log-odds that makes probabilities true on scenes kept for it."""
    device = next(net.parameters()).device
    odds, truth = [], []
    with torch.no_grad():
        for k in range(0, len(features), 8):
            feature = torch.from_numpy(features[k : k + 8]).to(device).float()
            out = odds_of(torch, net(feature), feature).cpu()
            target = torch.from_numpy(targets[k : k + 8])
            odds.append(out[target <= 200])
            truth.append(target[target <= 200].float() / 200)
    all_odds, all_truth = torch.cat(odds), torch.cat(truth)
    tried = np.exp(np.linspace(np.log(0.4), np.log(4.0), 60))
    scores = [
        float(torch.nn.functional.binary_cross_entropy_with_logits(all_odds / t, all_truth))
        for t in tried
    ]
    return float(tried[int(np.argmin(scores))])


def export(net: Any, path: Path) -> None:
    """Write the network by hand as ONNX, opset 17, IR 8: no exporter's defaults in between."""
    import onnx
    from onnx import TensorProto, helper, numpy_helper

    weights, nodes = [], []

    def node(kind: str, sources: list[str], name: str, **attributes: Any) -> str:
        nodes.append(helper.make_node(kind, sources, [name], **attributes))
        return name

    def conv(name: str, source: str) -> str:
        layer = net.get_submodule(name)
        for part in ("weight", "bias"):
            values = getattr(layer, part).detach().cpu().numpy().astype(np.float32)
            weights.append(numpy_helper.from_array(values, f"{name}.{part}"))
        return node(
            "ConvTranspose" if name == "up" else "Conv",
            [source, f"{name}.weight", f"{name}.bias"],
            name,
            kernel_shape=list(layer.kernel_size),
            strides=list(layer.stride),
            pads=[layer.padding[0]] * 4,
            dilations=list(layer.dilation),
            group=layer.groups,
        )

    def relu(source: str) -> str:
        return node("Relu", [source], f"{source}.relu")

    def constant(name: str, values: npt.NDArray[Any]) -> str:
        weights.append(numpy_helper.from_array(values, name))
        return name

    def separable(name: str, source: str, more: str | None = None) -> str:
        mixed = conv(f"{name}.mix", conv(f"{name}.around", source))
        if more is not None:
            mixed = node("Add", [mixed, more], f"{name}.more")
        return node("Add", [source, relu(mixed)], name)

    a = separable("near1", relu(conv("patch", "features")))
    c = relu(conv("down", a))
    place = node(
        "Slice",
        [
            "features",
            constant("from", np.array([PLACE])),
            constant("to", np.array([PLACE + 1])),
            constant("axis", np.array([1])),
        ],
        "place",
    )
    inside = node("AveragePool", [place], "inside", kernel_shape=[2, 2], strides=[2, 2])
    both = constant("plane", np.array([2, 3]))
    area = node(
        "Add",
        [
            node("ReduceSum", [inside, both], "sum", keepdims=1),
            constant("small", np.array(1e-3, np.float32)),
        ],
        "area",
    )
    for k in range(len(REACHES)):
        more = None
        if k == 1:
            weighted = node("Mul", [c, inside], "weighted")
            part = node("ReduceSum", [weighted, both], "part", keepdims=1)
            more = conv("whole", node("Div", [part, area], "mean"))
        c = separable(f"wide{k}", c, more)
    a = relu(node("Add", [a, conv("up", c)], "both"))
    odds = conv("head", separable("near3", separable("near2", a)))
    node("Identity", [odds], "odds")

    graph = helper.make_graph(
        nodes,
        "fat-lean",
        [helper.make_tensor_value_info("features", TensorProto.FLOAT, [1, N_CHANNELS, "x", "y"])],
        [helper.make_tensor_value_info("odds", TensorProto.FLOAT, [1, N_OUTPUTS, "x", "y"])],
        weights,
    )
    model = helper.make_model(
        graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=8, producer_name="geomscan"
    )
    onnx.checker.check_model(model, full_check=True)
    path.write_bytes(model.SerializeToString(deterministic=True))


def main() -> None:
    """Draw, train, calibrate, export."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--scenes", type=int, default=13000)
    parser.add_argument("--calibration-scenes", type=int, default=400)
    parser.add_argument("--steps", type=int, default=12075)
    parser.add_argument("--batch", type=int, default=64)
    parser.add_argument("--jobs", type=int, default=multiprocessing.cpu_count())
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    import torch

    started = time.time()
    features, targets = draw_many(0, options.scenes, options.jobs)
    kept = draw_many(CALIBRATION_SEED, options.calibration_scenes, options.jobs)
    print(f"{options.scenes} scenes in {time.time() - started:.0f} s", flush=True)
    net = train(
        torch, features, targets, steps=options.steps, batch=options.batch, seed=options.seed
    )
    net.eval()
    temperature = temperature_of(torch, net, *kept)
    with torch.no_grad():
        net.head.weight /= temperature
        net.head.bias /= temperature
    options.out.mkdir(parents=True, exist_ok=True)
    path = options.out / MODEL_FILE
    export(net.cpu(), path)
    check(torch, net, path, kept[0][:4].astype(np.float32))
    record = {
        "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
        "bytes": path.stat().st_size,
        "temperature": temperature,
        "scenes": options.scenes,
        "steps": options.steps,
        "batch": options.batch,
        "seed": options.seed,
        "torch": torch.__version__,
        "device": torch.cuda.get_device_name() if torch.cuda.is_available() else "processor",
        "seconds": round(time.time() - started),
    }
    (options.out / "fat-lean.json").write_text(json.dumps(record, indent=1) + "\n")
    print(json.dumps(record))


def check(torch: Any, net: Any, path: Path, features: Any) -> None:
    """Hold what was written against what was trained."""
    import onnxruntime as ort

    session = ort.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    for k in range(len(features)):
        written = session.run(None, {"features": features[k : k + 1]})[0]
        with torch.no_grad():
            trained = net(torch.from_numpy(features[k : k + 1])).numpy()
        worst = float(np.abs(written - trained).max())
        if worst > 1e-2:
            msg = f"the written model differs from the trained one by {worst}"
            raise RuntimeError(msg)


if __name__ == "__main__":
    main()
