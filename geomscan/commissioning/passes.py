"""Read all passes of the block, and set up the model with a first guess of its parameters."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.find_block import FoundBlock, find_block
from geomscan.commissioning.model import HOMOGRAPHY_NAMES, Model, PassSetup
from geomscan.commissioning.pass_lines import PassLines, read_pass_lines
from geomscan.commissioning.start import (
    Match,
    columns_to_right,
    first_homography,
    first_placement,
    match_profile,
)
from geomscan.errors import CalibrationError, InputError
from geomscan.laser_line.noise import NoiseModel, noise_of_head
from geomscan.recording.block import ReferenceBlock
from geomscan.recording.recording import Recording

__all__ = ["Passes", "read_passes", "start_model"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Passes:
    """All passes, read: lines and found blocks by (head, pass)."""

    names: tuple[str, ...]
    heads: tuple[str, ...]
    recordings: tuple[Recording, ...]
    lines: dict[tuple[int, int], PassLines]
    found: dict[tuple[int, int], FoundBlock]
    matches: dict[tuple[int, int], Match] = field(default_factory=dict)


def read_passes(recordings: Sequence[Recording], block: ReferenceBlock) -> Passes:
    """Read all passes and find the block in each.

    Raises
    ------
    InputError
        If the recordings don't belong to one scanner, or say nothing about the block.
    CalibrationError
        If a pass has no block, more than one, another one, or is cut off.
    """
    if not recordings:
        msg = "no recording of the block given"
        raise InputError(msg)
    heads = tuple(head.name for head in recordings[0].manifest.heads)
    names = _unique([recording.path.name for recording in recordings])
    lines, found, matches = {}, {}, {}
    noise: dict[str, NoiseModel] = {}  # of each camera, from its first pass
    for run, recording in enumerate(recordings):
        own = tuple(head.name for head in recording.manifest.heads)
        if set(own) != set(heads):
            msg = (
                f"{recording.path}: heads {', '.join(own)}: expected {', '.join(heads)} "
                "as in the first recording"
            )
            raise InputError(msg)
        if recording.manifest.block is None:
            msg = (
                f"{recording.path}: [block] is missing: say at least whether the block lay reversed"
            )
            raise InputError(msg)
        for h, head in enumerate(heads):
            where = f"{names[run]}, head {head}"
            if head not in noise and recording.head(head).payload_is == "frames":
                noise[head] = noise_of_head(recording, head)
            lines[h, run] = read_pass_lines(recording, head, noise=noise.get(head))
            if lines[h, run].sensor_size != lines[h, 0].sensor_size:
                msg = (
                    f"{recording.path}: head {head}: sensor_size differs from the first recording's"
                )
                raise InputError(msg)
            found[h, run] = find_block(lines[h, run], where=where)
            matches[h, run] = match_profile(lines[h, run], found[h, run], block, where=where)
    return Passes(
        names=names,
        heads=heads,
        recordings=tuple(recordings),
        lines=lines,
        found=found,
        matches=matches,
    )


def start_model(passes: Passes, block: ReferenceBlock) -> tuple[Model, Floats]:
    """Set up the model and a first guess of its parameters."""
    setups = []
    for name, recording in zip(passes.names, passes.recordings, strict=True):
        placement = recording.manifest.block
        assert placement is not None
        temperature = recording.manifest.temperature_c
        setups.append(
            PassSetup(
                name=name, reversed=placement.reversed, across_mm=placement.across_mm,
                u_across_mm=placement.u_across_mm,
                temperature_c=block.reference_temperature_c if temperature is None else temperature,
            )
        )  # fmt: skip
    first = passes.recordings[0].manifest
    model = Model(
        heads=passes.heads,
        lasers=tuple(head.laser for head in first.heads),
        sizes=tuple(passes.lines[h, 0].sensor_size for h in range(len(passes.heads))),
        passes=tuple(setups),
        block=block,
        n_distortion=0,
    )
    values = np.zeros(len(model.names))
    per_count = abs(first.belt.nominal_mm_per_count)
    values[model.index["belt.mm_per_count"]] = per_count
    placements = []
    for h, head in enumerate(passes.heads):
        right = columns_to_right(
            {passes.names[r]: passes.matches[h, r] for r in range(len(setups))},
            {setup.name: setup.reversed for setup in setups},
            head=head,
        )
        own = []
        y_mm = []
        for r, setup in enumerate(setups):
            place = first_placement(
                passes.lines[h, r], passes.found[h, r], block, across_mm=setup.across_mm,
                reversed_=setup.reversed, columns_to_right=right, mm_per_count=per_count,
            )  # fmt: skip
            own.append(place)
            sign = -1.0 if setup.reversed else 1.0
            across = passes.matches[h, r].across_mm - block.points[0][0]
            y_mm.append(
                place[1]
                + sign * (across * np.cos(place[2]) + block.length_mm / 2 * np.sin(place[2]))
            )
        placements.append(own)
        runs = range(len(setups))
        _check_places(model, passes, h, columns_to_right_=right)
        plane = first_homography(
            [passes.lines[h, r] for r in runs], [passes.matches[h, r] for r in runs],
            [passes.found[h, r] for r in runs], y_mm,
        )  # fmt: skip
        for name, value in zip(HOMOGRAPHY_NAMES, plane.reshape(-1)[:8], strict=True):
            values[model.index[f"head.{head}.{name}"]] = value
    for r, setup in enumerate(setups):
        x, y, yaw = np.mean([own[r] for own in placements], axis=0)
        values[model.index[f"pass.{setup.name}.x_mm"]] = x
        values[model.index[f"pass.{setup.name}.y_mm"]] = y
        values[model.index[f"pass.{setup.name}.yaw_deg"]] = np.degrees(yaw)
    model = replace(model, first_y_mm=float(values[model.index[f"pass.{setups[0].name}.y_mm"]]))
    return model, values


def _check_places(model: Model, passes: Passes, h: int, *, columns_to_right_: bool) -> None:
    """Compare the way the passes lie across the belt with the way the block's steps run."""
    told = [(r, s.across_mm) for r, s in enumerate(model.passes) if s.across_mm is not None]
    width = model.block.width_mm
    y = np.array(
        [across + (-width if model.passes[r].reversed else width) / 2 for r, across in told]
    )
    place = [(passes.found[h, r].left + passes.found[h, r].right) / 2 for r, _ in told]
    if len(told) < 2 or np.ptp(y) < width / 2:
        return
    by_place = bool(np.polyfit(y, place, 1)[0] > 0)
    if by_place != columns_to_right_:
        msg = (
            "the block file is mirrored, or [block] reversed is wrong in every pass: head "
            f"{model.heads[h]} sees the passes follow each other across the belt by across_mm one "
            "way, and the block's steps run the other way"
        )
        raise CalibrationError(msg)


def _unique(names: list[str]) -> tuple[str, ...]:
    """Names that differ, in the same order; dots would part the parameter names."""
    out: list[str] = []
    for name in (n.replace(".", "_") for n in names):
        again = sum(other.split("#")[0] == name for other in out)
        out.append(name if again == 0 else f"{name}#{again + 1}")
    return tuple(out)
