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
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).parent))

from scenes import TRAINED, draw_scene

from geomscan.tissue.network import FEATURES, GRID_STEP, MODEL_FILE, network_features
from geomscan.tissue.settings import TissueSettings
from geomscan.tissue.shading import block_surface
from geomscan.tissue.surface import read_surface

#: First seed of the scenes that calibrate the probabilities; training scenes start at 0.
CALIBRATION_SEED = 5_000_000
LEAN_SHARE = 0.15
LARGEST = (416, 256)  # cells; larger pieces are cut at random


def scene_arrays(seed: int) -> tuple[npt.NDArray[np.float16], npt.NDArray[np.uint8]]:
    """Features and targets of one scene: fat share of each cell in 200ths, 255 not the piece."""
    rng = np.random.default_rng([seed, 77])
    scene = draw_scene(
        seed, TRAINED[int(rng.integers(len(TRAINED)))], lean=bool(rng.random() < LEAN_SHARE)
    )
    surface = read_surface(scene.piece, TissueSettings())
    if not surface.usable.any():
        return scene_arrays(seed + 1_000_000)
    n_x, n_y = surface.inside.shape
    features = network_features(scene.piece, surface, block_surface(surface), line_width=True)[
        :, :n_x, :n_y
    ]
    target = np.where(surface.inside, np.rint(200 * scene.fat_share), 255).astype(np.uint8)
    i, j = (
        int(rng.integers(max(1, n - most + 1))) for n, most in zip((n_x, n_y), LARGEST, strict=True)
    )
    part = np.s_[..., i : i + LARGEST[0], j : j + LARGEST[1]]
    return features[part].astype(np.float16), target[part]


def draw_many(first: int, n: int, n_jobs: int) -> tuple[Any, Any]:
    """Scenes as two arrays, padded to the largest size."""
    features = np.zeros((n, len(FEATURES), *LARGEST), np.float16)
    targets = np.full((n, *LARGEST), 255, np.uint8)
    with multiprocessing.get_context("spawn").Pool(n_jobs) as pool:
        for k, (feature, target) in enumerate(
            pool.imap(scene_arrays, range(first, first + n), chunksize=8)
        ):
            n_x, n_y = target.shape
            features[k, :, :n_x, :n_y], targets[k, :n_x, :n_y] = feature, target
    return features, targets


def build(torch: Any) -> Any:
    """Build the network: three halvings, a wide look with a mean over the piece, and back up."""
    nn = torch.nn

    class FatLean(nn.Module):  # type: ignore[misc, name-defined]
        def __init__(self) -> None:
            super().__init__()
            self.down1 = nn.Conv2d(len(FEATURES), 16, 3, stride=2, padding=1)
            self.down2 = nn.Conv2d(16, 24, 3, stride=2, padding=1)
            self.down3 = nn.Conv2d(24, 32, 3, stride=2, padding=1)
            self.wide1 = nn.Conv2d(32, 32, 3, padding=1)
            self.wide2 = nn.Conv2d(32, 32, 3, padding=2, dilation=2)
            self.wide3 = nn.Conv2d(32, 32, 3, padding=4, dilation=4)
            self.whole = nn.Conv2d(32, 32, 1)
            self.up3 = nn.Conv2d(32, 24 * 4, 1)
            self.join2 = nn.Conv2d(24, 24, 3, padding=1)
            self.up2 = nn.Conv2d(24, 16 * 4, 1)
            self.join1 = nn.Conv2d(16, 16, 3, padding=1)
            # per cell: an offset and a slope in the light itself, so outlines keep the full grid
            self.head = nn.Conv2d(16, 2 * 4, 1)

        def forward(self, x: Any) -> Any:
            relu, shuffle = torch.relu, nn.functional.pixel_shuffle
            a = relu(self.down1(x))
            b = relu(self.down2(a))
            c = relu(self.down3(b))
            c = c + relu(self.wide1(c))
            inside = nn.functional.avg_pool2d(x[:, 3:4], GRID_STEP)
            mean = (c * inside).sum((2, 3), keepdim=True) / (
                inside.sum((2, 3), keepdim=True) + 1e-3
            )
            c = c + relu(self.wide2(c) + self.whole(mean))
            c = c + relu(self.wide3(c))
            b = b + shuffle(self.up3(c), 2)
            b = relu(self.join2(relu(b))) + b
            a = a + shuffle(self.up2(b), 2)
            a = relu(self.join1(relu(a))) + a
            out = shuffle(self.head(a), 2)
            return out[:, :1] + out[:, 1:] * x[:, :1]

    return FatLean()


def loss_of(torch: Any, odds: Any, target: Any) -> Any:
    """Cross entropy over the piece's cells, plus the missing overlap of the fat of each scene."""
    known = (target <= 200).float()
    fat = target.float() / 200 * known
    entropy = torch.nn.functional.binary_cross_entropy_with_logits(
        odds[:, 0], fat, reduction="none"
    )
    entropy = (entropy * known).sum() / known.sum()
    p = torch.sigmoid(odds[:, 0]) * known
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
    best = torch.optim.AdamW(net.parameters(), lr=3e-3, weight_decay=1e-4)
    plan = torch.optim.lr_scheduler.OneCycleLR(best, max_lr=6e-3, total_steps=steps, pct_start=0.1)
    picks = torch.Generator().manual_seed(seed)
    started = time.time()
    total = 0.0
    for step in range(steps):
        at = torch.randint(len(x), (batch,), generator=picks).to(device)
        feature, target = x[at].float(), y[at]
        if torch.rand(1, generator=picks) < 0.5:
            feature, target = feature.flip(2), target.flip(1)
            feature[:, 4] *= -1
        if torch.rand(1, generator=picks) < 0.5:
            feature, target = feature.flip(3), target.flip(2)
            feature[:, 5] *= -1
        if torch.rand(1, generator=picks) < 0.3:
            feature[:, 7] = 0.0  # many a scanner gives no line width
        loss = loss_of(torch, net(feature), target)
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
            out = net(torch.from_numpy(features[k : k + 8]).to(device).float())[:, 0].cpu()
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

    def conv(name: str, source: str, **attributes: Any) -> str:
        layer = getattr(net, name)
        for part in ("weight", "bias"):
            values = getattr(layer, part).detach().cpu().numpy().astype(np.float32)
            weights.append(numpy_helper.from_array(values, f"{name}.{part}"))
        pad, dilation = layer.padding[0], layer.dilation[0]
        nodes.append(
            helper.make_node(
                "Conv",
                [source, f"{name}.weight", f"{name}.bias"],
                [name],
                kernel_shape=list(layer.kernel_size),
                strides=list(layer.stride),
                pads=[pad] * 4,
                dilations=[dilation] * 2,
                **attributes,
            )
        )
        return name

    def node(kind: str, sources: list[str], name: str, **attributes: Any) -> str:
        nodes.append(helper.make_node(kind, sources, [name], **attributes))
        return name

    def relu(source: str) -> str:
        return node("Relu", [source], f"{source}.relu")

    def constant(name: str, values: npt.NDArray[Any]) -> str:
        weights.append(numpy_helper.from_array(values, name))
        return name

    a = relu(conv("down1", "features"))
    b = relu(conv("down2", a))
    c = relu(conv("down3", b))
    c = node("Add", [c, relu(conv("wide1", c))], "c1")
    axis, one = constant("axis", np.array([1])), constant("small", np.array(1e-3, np.float32))
    place = node(
        "Slice",
        ["features", constant("from", np.array([3])), constant("to", np.array([4])), axis],
        "place",
    )
    inside = node(
        "AveragePool", [place], "inside", kernel_shape=[GRID_STEP] * 2, strides=[GRID_STEP] * 2
    )
    both = constant("plane", np.array([2, 3]))
    part = node("ReduceSum", [node("Mul", [c, inside], "weighted"), both], "part", keepdims=1)
    whole = node(
        "Add", [node("ReduceSum", [inside, both], "whole_sum", keepdims=1), one], "whole_area"
    )
    mean = node("Div", [part, whole], "mean")
    c2 = node("Add", [conv("wide2", c), conv("whole", mean)], "wide2_whole")
    c = node("Add", [c, relu(c2)], "c2")
    c = node("Add", [c, relu(conv("wide3", c))], "c3")

    def up(name: str, source: str) -> str:
        shuffled = conv(name, source)
        return node("DepthToSpace", [shuffled], f"{name}.grid", blocksize=2, mode="CRD")

    b = node("Add", [b, up("up3", c)], "b1")
    b = node("Add", [relu(conv("join2", relu(b))), b], "b2")
    a = node("Add", [a, up("up2", b)], "a1")
    a = node("Add", [relu(conv("join1", relu(a))), a], "a2")
    out = up("head", a)
    nodes.append(helper.make_node("Split", [out], ["offset", "slope"], axis=1))
    light = node(
        "Slice",
        ["features", constant("from0", np.array([0])), constant("to1", np.array([1])), axis],
        "light",
    )
    node("Add", ["offset", node("Mul", ["slope", light], "scaled")], "log_odds")

    graph = helper.make_graph(
        nodes,
        "fat-lean",
        [
            helper.make_tensor_value_info(
                "features", TensorProto.FLOAT, [1, len(FEATURES), "x", "y"]
            )
        ],
        [helper.make_tensor_value_info("log_odds", TensorProto.FLOAT, [1, 1, "x", "y"])],
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
    parser.add_argument("--scenes", type=int, default=14000)
    parser.add_argument("--calibration-scenes", type=int, default=400)
    parser.add_argument("--steps", type=int, default=22000)
    parser.add_argument("--batch", type=int, default=24)
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
