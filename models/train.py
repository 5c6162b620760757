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

from geomscan.tissue.network import (
    GRID_STEP,
    GROUND,
    GROUND_CELLS,
    LIGHT,
    MODEL_FILE,
    N_WEIGHTS,
    network_features,
)
from geomscan.tissue.settings import TissueSettings

#: First seed of the scenes that calibrate the probabilities; training scenes start at 0.
CALIBRATION_SEED = 5_000_000
LEAN_SHARE = 0.15
#: Channels of the network on its cells of 4 × 4 and 8 × 8.
NEAR, WIDE = 32, 48
LARGEST = (416, 256)  # cells of the network; larger pieces are cut at random
Arrays = tuple[npt.NDArray[np.float16], npt.NDArray[np.float16], npt.NDArray[np.uint8]]


def scene_arrays(seed: int) -> Arrays:
    """Light, ground and target of one scene: fat share of each cell in 200ths, 255 not the piece.

    Light holds the channels LIGHT and the mean of near light.
    """
    rng = np.random.default_rng([seed, 77])
    scene = draw_scene(
        seed, TRAINED[int(rng.integers(len(TRAINED)))], lean=bool(rng.random() < LEAN_SHARE)
    )
    features = network_features(scene.piece, TissueSettings())
    if features is None:
        return scene_arrays(seed + 1_000_000)
    share = np.where(scene.piece.cover > 0, np.rint(200 * scene.fat_share), 255).astype(np.uint8)
    if features.split > 1:
        share = share.repeat(features.split, 0).repeat(features.split, 1)
    n_x, n_y = features.near_light.shape
    target = np.full((n_x, n_y), 255, np.uint8)
    target[: share.shape[0], : share.shape[1]] = share
    light = np.concatenate([features.light, features.near_light[None]]).astype(np.float16)
    i, j = (
        GRID_STEP * int(rng.integers(max(1, (n - most) // GRID_STEP + 1)))
        for n, most in zip((n_x, n_y), LARGEST, strict=True)
    )
    part = np.s_[..., i : i + LARGEST[0], j : j + LARGEST[1]]
    i, j, n_x, n_y = (k // GROUND_CELLS for k in (i, j, *LARGEST))
    ground = features.ground[:, i : i + n_x, j : j + n_y].astype(np.float16)
    return light[part], ground, target[part]


def draw_many(first: int, n: int, n_jobs: int) -> tuple[Any, Any, Any]:
    """Scenes as three arrays, padded to the largest size."""
    size = LARGEST[0] // GROUND_CELLS, LARGEST[1] // GROUND_CELLS
    lights = np.zeros((n, len(LIGHT) + 1, *LARGEST), np.float16)
    grounds = np.zeros((n, len(GROUND), *size), np.float16)
    targets = np.full((n, *LARGEST), 255, np.uint8)
    with multiprocessing.get_context("spawn").Pool(n_jobs) as pool:
        for k, (light, ground, target) in enumerate(
            pool.imap(scene_arrays, range(first, first + n), chunksize=8)
        ):
            lights[k, :, : target.shape[0], : target.shape[1]] = light
            grounds[k, :, : ground.shape[1], : ground.shape[2]] = ground
            targets[k, : target.shape[0], : target.shape[1]] = target
    return lights, grounds, targets


def build(torch: Any) -> Any:
    """Build the network: cells of 4 × 4, a wide look with a mean over the piece, and back up."""
    nn = torch.nn

    class FatLean(nn.Module):  # type: ignore[misc, name-defined]
        def __init__(self) -> None:
            super().__init__()
            self.of_light = nn.Conv2d(len(LIGHT), NEAR, 6, stride=4, padding=1)
            self.of_ground = nn.Conv2d(len(GROUND), NEAR, 3, padding=1)
            self.down = nn.Conv2d(NEAR, WIDE, 3, stride=2, padding=1)
            self.wide1 = nn.Conv2d(WIDE, WIDE, 3, padding=1)
            self.wide2 = nn.Conv2d(WIDE, WIDE, 3, padding=2, dilation=2)
            self.wide3 = nn.Conv2d(WIDE, WIDE, 3, padding=4, dilation=4)
            self.whole = nn.Conv2d(WIDE, WIDE, 1)
            self.up = nn.Conv2d(WIDE, NEAR, 1)
            self.join = nn.Conv2d(NEAR, NEAR, 3, padding=1)
            self.head = nn.Conv2d(NEAR, N_WEIGHTS * GROUND_CELLS**2, 1)

        def weights(self, light: Any, ground: Any) -> Any:
            relu = torch.relu
            a = relu(self.of_light(light) + self.of_ground(ground))
            c = relu(self.down(a))
            c = c + relu(self.wide1(c))
            inside = nn.functional.avg_pool2d(ground[:, 2:3], 2)
            mean = (c * inside).sum((2, 3), keepdim=True) / (
                inside.sum((2, 3), keepdim=True) + 1e-3
            )
            c = c + relu(self.wide2(c) + self.whole(mean))
            c = c + relu(self.wide3(c))
            a = a + nn.functional.interpolate(self.up(c), scale_factor=2, mode="nearest")
            a = relu(a)
            a = a + relu(self.join(a))
            return self.head(a)

        def forward(self, light: Any, ground: Any) -> Any:
            """Log-odds from the light with its near mean, and the ground."""
            weights = nn.functional.pixel_shuffle(
                self.weights(light[:, : len(LIGHT)], ground), GROUND_CELLS
            )
            return weights[:, :1] + weights[:, 1:2] * light[:, :1] + weights[:, 2:] * light[:, 2:3]

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


def train(torch: Any, scenes: tuple[Any, Any, Any], *, steps: int, batch: int, seed: int) -> Any:
    """Train on flips of the scenes; the light's slope signs turn with them."""
    torch.manual_seed(seed)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    net = build(torch).to(device)
    lights, grounds, targets = (torch.from_numpy(part).to(device) for part in scenes)
    best = torch.optim.AdamW(net.parameters(), lr=3e-3, weight_decay=1e-4)
    plan = torch.optim.lr_scheduler.OneCycleLR(best, max_lr=6e-3, total_steps=steps, pct_start=0.1)
    picks = torch.Generator().manual_seed(seed)
    started = time.time()
    total = 0.0
    for step in range(steps):
        at = torch.randint(len(targets), (batch,), generator=picks).to(device)
        light, ground, target = lights[at].float(), grounds[at].float(), targets[at]
        for axis, slope in ((1, 3), (2, 4)):
            if torch.rand(1, generator=picks) < 0.5:
                light, ground = light.flip(axis + 1), ground.flip(axis + 1)
                target = target.flip(axis)
                ground[:, slope] *= -1
        loss = loss_of(torch, net(light, ground), target)
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


def temperature_of(torch: Any, net: Any, scenes: tuple[Any, Any, Any]) -> float:
    """Find the divisor of the log-odds that makes probabilities true on scenes kept for it."""
    device = next(net.parameters()).device
    odds, truth = [], []
    with torch.no_grad():
        for k in range(0, len(scenes[0]), 8):
            light, ground, target = (torch.from_numpy(part[k : k + 8]) for part in scenes)
            out = net(light.to(device).float(), ground.to(device).float())[:, 0].cpu()
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

    def add(name: str, one: str, other: str) -> str:
        return node("Add", [one, other], name)

    a = relu(add("near", conv("of_light", "light"), conv("of_ground", "ground")))
    c = relu(conv("down", a))
    c = add("c1", c, relu(conv("wide1", c)))
    axis, one = constant("axis", np.array([1])), constant("small", np.array(1e-3, np.float32))
    place = node(
        "Slice",
        ["ground", constant("from", np.array([2])), constant("to", np.array([3])), axis],
        "place",
    )
    inside = node("AveragePool", [place], "inside", kernel_shape=[2, 2], strides=[2, 2])
    both = constant("plane", np.array([2, 3]))
    part = node("ReduceSum", [node("Mul", [c, inside], "weighted"), both], "part", keepdims=1)
    whole = add("whole_area", node("ReduceSum", [inside, both], "whole_sum", keepdims=1), one)
    mean = node("Div", [part, whole], "mean")
    c = add("c2", c, relu(add("wide2_whole", conv("wide2", c), conv("whole", mean))))
    c = add("c3", c, relu(conv("wide3", c)))
    twice = constant("twice", np.array([1, 1, 2, 2], np.float32))
    larger = node(
        "Resize",
        [conv("up", c), "", twice],
        "larger",
        mode="nearest",
        coordinate_transformation_mode="asymmetric",
        nearest_mode="floor",
    )
    a = relu(add("a1", a, larger))
    a = add("a2", a, relu(conv("join", a)))
    nodes.append(helper.make_node("Identity", [conv("head", a)], ["weights"]))

    tensor = helper.make_tensor_value_info
    graph = helper.make_graph(
        nodes,
        "fat-lean",
        [
            tensor("light", TensorProto.FLOAT, [1, len(LIGHT), "4x", "4y"]),
            tensor("ground", TensorProto.FLOAT, [1, len(GROUND), "x", "y"]),
        ],
        [tensor("weights", TensorProto.FLOAT, [1, N_WEIGHTS * GROUND_CELLS**2, "x", "y"])],
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
    parser.add_argument("--steps", type=int, default=45000)
    parser.add_argument("--batch", type=int, default=32)
    parser.add_argument("--jobs", type=int, default=multiprocessing.cpu_count())
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    import torch

    started = time.time()
    drawn = draw_many(0, options.scenes, options.jobs)
    kept = draw_many(CALIBRATION_SEED, options.calibration_scenes, options.jobs)
    print(f"{options.scenes} scenes in {time.time() - started:.0f} s", flush=True)
    net = train(torch, drawn, steps=options.steps, batch=options.batch, seed=options.seed)
    net.eval()
    temperature = temperature_of(torch, net, kept)
    with torch.no_grad():
        net.head.weight /= temperature
        net.head.bias /= temperature
    options.out.mkdir(parents=True, exist_ok=True)
    path = options.out / MODEL_FILE
    export(net.cpu(), path)
    check(torch, net, path, *(part[:4].astype(np.float32) for part in kept[:2]))
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


def check(torch: Any, net: Any, path: Path, lights: Any, grounds: Any) -> None:
    """Hold what was written against what was trained."""
    import onnxruntime as ort

    session = ort.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    for k in range(len(lights)):
        light, ground = lights[k : k + 1, : len(LIGHT)], grounds[k : k + 1]
        written = session.run(None, {"light": light, "ground": ground})[0]
        with torch.no_grad():
            trained = net.weights(torch.from_numpy(light), torch.from_numpy(ground)).numpy()
        worst = float(np.abs(written - trained).max())
        if worst > 1e-2:
            msg = f"the written model differs from the trained one by {worst}"
            raise RuntimeError(msg)


if __name__ == "__main__":
    main()
