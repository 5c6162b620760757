"""The model of the joint fit: parameters, priors, residuals of all observations in mm."""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.observations import ENDS, Kind, Observations
from geomscan.recording.block import ReferenceBlock
from geomscan.scanner.head import DISTORTION_NAMES, undistort

__all__ = ["HOMOGRAPHY_NAMES", "Model", "PassSetup", "Seat"]

Floats = npt.NDArray[np.float64]

HOMOGRAPHY_NAMES = ("h00", "h01", "h02", "h10", "h11", "h12", "h20", "h21")

#: what lens terms of real lenses stay within, so that few passes leave nothing undetermined; with r
#: in half sensor widths a term of 0.3 is a distortion of 30 % (common practice, no source)
_LENS_PRIOR = {"k1": 0.3, "k2": 0.3, "k3": 0.3, "p1": 0.02, "p2": 0.02}

#: sheets are mounted upright and across the belt within this; it matters where passes are too few
#: to tell (common practice, no source)
_SHEET_PRIOR_DEG = 3.0

_END_NAMES = ("leading_mm", "trailing_mm")
_PASS_NAMES = ("x_mm", "y_mm", "yaw_deg", "seat_mm", "roll_mrad", "pitch_mrad")


@dataclass(frozen=True, kw_only=True, slots=True)
class Seat:
    """Prior of a pass: standard uncertainties of how the block sits, and of the belt's slip.

    Slip is what the belt travels more than its encoder counts, against the mean of all passes.
    """

    u_height_mm: float = 0.02
    u_roll_mrad: float = 0.3
    u_pitch_mrad: float = 0.3
    u_slip_percent: float = 1.0


@dataclass(frozen=True, kw_only=True, slots=True)
class PassSetup:
    """What is known of one pass beforehand."""

    name: str
    reversed: bool
    across_mm: float | None
    u_across_mm: float
    temperature_c: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Model:
    """Names and meaning of the parameters for given heads, passes and block.

    The block's own frame has its length along the belt, 0 to L, and across from its first profile
    point; where it is turned end for end, its frame is turned by 180° about the vertical.
    """

    heads: tuple[str, ...]
    lasers: tuple[str, ...]  #: of each head
    sizes: tuple[tuple[int, int], ...]  #: of each head
    passes: tuple[PassSetup, ...]
    block: ReferenceBlock
    n_distortion: int
    seat: Seat = field(default_factory=Seat)
    fans: tuple[str, ...] = ()  #: lasers whose fan's start is fitted
    #: by head: how far leading and trailing ends may be misplaced in all passes alike, mm
    u_ends: tuple[tuple[float, float], ...] = ()

    @cached_property
    def sheets(self) -> tuple[str, ...]:
        """Lasers in the order of their first head."""
        return tuple(dict.fromkeys(self.lasers))

    @cached_property
    def points(self) -> Floats:
        """The profile from its first point: across, height; (n, 2)."""
        points = self.block.profile_mm
        return np.asarray(points - np.array([points[0, 0], 0.0]))

    @cached_property
    def levels(self) -> npt.NDArray[np.int64]:
        """Step that each point's height belongs to; −1 on the belt. Flat treads share one step."""
        level = np.full(len(self.points), -1, dtype=np.int64)
        number = -1
        for i, (_, height) in enumerate(self.points):
            if height == 0:
                continue
            flat = i > 0 and self.points[i - 1, 1] == height and level[i - 1] >= 0
            number += 0 if flat else 1
            level[i] = number
        return level

    @cached_property
    def faces(self) -> npt.NDArray[np.int64]:
        """Across value that each point shares with its neighbour on an upright face."""
        face = np.zeros(len(self.points), dtype=np.int64)
        for i in range(1, len(self.points)):
            face[i] = face[i - 1] + (self.points[i, 0] != self.points[i - 1, 0])
        return face

    @cached_property
    def names(self) -> tuple[str, ...]:
        """All parameter names, in order."""
        names: list[str] = []
        for head in self.heads:
            names += [f"head.{head}.{h}" for h in HOMOGRAPHY_NAMES]
            names += [f"head.{head}.{k}" for k in DISTORTION_NAMES[: self.n_distortion]]
        names.append("belt.mm_per_count")
        for i, laser in enumerate(self.sheets):
            names += [f"sheet.{laser}.tilt_deg", f"sheet.{laser}.skew_deg"]
            if i > 0:
                names.append(f"sheet.{laser}.offset_mm")
            if laser in self.fans:
                names += [f"sheet.{laser}.fan_y_mm", f"sheet.{laser}.fan_z_mm"]
        for head, u_ends in zip(self.heads, self.u_ends, strict=False):
            names += [f"end.{head}.{w}" for w, u in zip(_END_NAMES, u_ends, strict=True) if u > 0]
        for setup in self.passes:
            names += [f"pass.{setup.name}.{what}" for what in (*_PASS_NAMES, "slip_percent")]
        block = self.block
        if block.u_across_mm > 0:
            names += [f"block.across{i}_mm" for i in range(1, int(self.faces[-1]) + 1)]
        if block.u_height_mm > 0:
            names += [f"block.height{i}_mm" for i in range(int(self.levels.max()) + 1)]
        if block.u_common_height_mm > 0:
            names.append("block.common_height_mm")
        if block.u_length_mm > 0:
            names.append("block.length_mm")
        if block.u_square_mm > 0:
            names += ["block.lean0_mm", "block.lean1_mm"]
        return tuple(names)

    @cached_property
    def index(self) -> dict[str, int]:
        """Place of each parameter."""
        return {name: i for i, name in enumerate(self.names)}

    @cached_property
    def step_groups(self) -> tuple[tuple[tuple[int, ...], str], ...]:
        """Parameters that no observation shares, stepped together: (indices, "head" | "pass")."""
        groups: dict[str, list[int]] = {}
        for i, name in enumerate(self.names):
            kind, *_, what = name.split(".")
            key = f"{kind} {what}" if kind in {"head", "pass"} else name
            groups.setdefault(key, []).append(i)
        return tuple((tuple(own), key.split(" ")[0]) for key, own in groups.items())

    @cached_property
    def priors(self) -> Floats:
        """Standard uncertainty of the prior (around 0, or the value known) of each; inf = none."""
        u = np.full(len(self.names), np.inf)
        block = self.block
        known = {
            "seat_mm": self.seat.u_height_mm,
            "roll_mrad": self.seat.u_roll_mrad,
            "pitch_mrad": self.seat.u_pitch_mrad,
            "slip_percent": self.seat.u_slip_percent,
            "common_height_mm": block.u_common_height_mm,
            "length_mm": block.u_length_mm,
            "tilt_deg": _SHEET_PRIOR_DEG,
            "skew_deg": _SHEET_PRIOR_DEG,
            "lean0_mm": block.u_square_mm,
            "lean1_mm": block.u_square_mm,
        }
        known_ends = dict(zip(self.heads, self.u_ends, strict=False))
        for i, name in enumerate(self.names):
            last = name.rsplit(".", 1)[-1]
            if last in known:
                u[i] = known[last]
            elif name.startswith("head.") and last in _LENS_PRIOR:
                u[i] = _LENS_PRIOR[last]
            elif name.startswith("end."):
                u[i] = known_ends[name.split(".")[1]][_END_NAMES.index(last)]
            elif name.startswith("block.across"):
                u[i] = block.u_across_mm
            elif name.startswith("block.height"):
                u[i] = block.u_height_mm
        return u

    @cached_property
    def scale(self) -> Floats:
        """Length of the block at each pass's temperature over its length on the certificate."""
        block = self.block
        return np.array(
            [
                1 + block.expansion_per_k * (p.temperature_c - block.reference_temperature_c)
                for p in self.passes
            ]
        )

    def column(
        self, values: npt.NDArray[np.number], pattern: str, items: tuple[str, ...]
    ) -> Floats:
        """Gather one parameter over heads, sheets or passes; 0 where it does not exist."""
        at = self._gather.get((pattern, items))
        if at is None:
            found = [self.index.get(pattern.format(item), -1) for item in items]
            at = np.array(found, dtype=np.intp)
            self._gather[pattern, items] = at
        return np.where(at >= 0, values[at], 0)

    @cached_property
    def _gather(self) -> dict[tuple[str, tuple[str, ...]], npt.NDArray[np.intp]]:
        return {}

    @cached_property
    def _pass_names(self) -> tuple[str, ...]:
        return tuple(p.name for p in self.passes)

    @cached_property
    def _turned(self) -> Floats:
        return np.array([-1.0 if p.reversed else 1.0 for p in self.passes])

    @cached_property
    def sheet_of_head(self) -> npt.NDArray[np.intp]:
        """Index of the sheet that each head watches."""
        return np.array([self.sheets.index(name) for name in self.lasers], dtype=np.intp)

    def plane(
        self,
        values: npt.NDArray[np.number],
        head: npt.NDArray[np.int64],
        column: Floats,
        row: Floats,
    ) -> tuple[Floats, Floats]:
        """Sheet coordinates (y, z) of sensor positions; complex parameters give derivatives."""
        h = np.stack([self.column(values, f"head.{{}}.{n}", self.heads) for n in HOMOGRAPHY_NAMES])
        lens = np.stack(
            [self.column(values, f"head.{{}}.{n}", self.heads) for n in DISTORTION_NAMES]
        )
        size = np.array(self.sizes, dtype=np.float64)
        half = size[head, 0] / 2
        u = (column - (size[head, 0] - 1) / 2) / half
        v = (row - (size[head, 1] - 1) / 2) / half
        u, v = undistort(u, v, lens[:, head])
        g = h[:, head]
        w = g[6] * u + g[7] * v + 1
        return (g[0] * u + g[1] * v + g[2]) / w, (g[3] * u + g[4] * v + g[5]) / w

    def residuals(
        self,
        values: npt.NDArray[np.number],
        obs: Observations,
        *,
        plane: tuple[Floats, Floats] | None = None,
    ) -> Floats:
        """Residual of each observation in mm: height, across, along or shadow, by kind.

        plane holds the observations' sheet coordinates where they are known already.
        """
        y, z = plane or self.plane(values, obs.head, obs.column_px, obs.row_px)
        x = self.travel_to_x(values, obs, y, z)
        along, across, up = self.to_block(values, obs.run, x, y, z)
        profile = self.profile(values)  # (n_points, 2) at reference temperature
        scale = self.scale[obs.run]
        res = z.astype(np.result_type(z, values))

        surface = obs.kind == Kind.SURFACE
        if surface.any():
            f = obs.feature[surface]
            (a0, h0), (a1, h1) = profile[f].T, profile[f + 1].T
            s = scale[surface]
            share = (across[surface] / s - a0) / (a1 - a0)
            res[surface] = up[surface] - s * (h0 + share * (h1 - h0))

        side = obs.kind == Kind.SIDE
        res[side] = across[side] - scale[side] * profile[obs.feature[side], 0]

        end = np.isin(obs.kind, ENDS)
        if end.any():
            length = self.block.length_mm + self._one(values, "block.length_mm")
            lean = np.array(
                [self._one(values, "block.lean0_mm"), self._one(values, "block.lean1_mm")]
            )
            f = obs.feature[end]
            face = scale[end] * f * length + lean[f] * up[end] / self.block.height_mm
            res[end] = along[end] - face - self._displaced(values, obs.where(end))

        shadow = obs.kind == Kind.SHADOW
        if shadow.any():
            f = obs.feature[shadow]
            s = scale[shadow]
            edge_up = np.maximum(profile[f, 1].real, profile[f + 1, 1].real)
            upper = np.where(profile[f, 1].real >= edge_up, profile[f, 1], profile[f + 1, 1])
            edge_y, edge_z = self.to_sheet(
                values, obs.run[shadow], along[shadow], s * profile[f, 0], s * upper
            )
            sheet = self.sheet_of_head[obs.head[shadow]]
            fan_y = self.column(values, "sheet.{}.fan_y_mm", self.sheets)[sheet]
            fan_z = self.column(values, "sheet.{}.fan_z_mm", self.sheets)[sheet]
            thrown = edge_y + (edge_z - z[shadow]) * (edge_y - fan_y) / (fan_z - edge_z)
            res[shadow] = y[shadow] - thrown
        return res

    def _displaced(self, values: npt.NDArray[np.number], ends: Observations) -> Floats:
        """How far ends are seen displaced along the block: the sheet's thickness, inwards."""
        leading = (ends.feature == 0) == (self._turned[ends.run] > 0)
        own = [self.column(values, f"end.{{}}.{w}", self.heads)[ends.head] for w in _END_NAMES]
        return np.where(ends.feature == 0, 1, -1) * np.where(leading, own[0], own[1])

    def travel_to_x(
        self, values: npt.NDArray[np.number], obs: Observations, y: Floats, z: Floats
    ) -> Floats:
        """Belt x of lit points."""
        sheet = self.sheet_of_head[obs.head]
        degree = np.pi / 180
        tilt = np.tan(self.column(values, "sheet.{}.tilt_deg", self.sheets) * degree)[sheet]
        skew = np.tan(self.column(values, "sheet.{}.skew_deg", self.sheets) * degree)[sheet]
        offset = self.column(values, "sheet.{}.offset_mm", self.sheets)[sheet]
        slip = self.column(values, "pass.{}.slip_percent", self._pass_names)[obs.run]
        travel = values[self.index["belt.mm_per_count"]] * (1 + 0.01 * slip) * obs.travel
        return np.asarray(travel + offset + z * tilt + y * skew)

    def to_block(
        self,
        values: npt.NDArray[np.number],
        run: npt.NDArray[np.int64],
        x: Floats,
        y: Floats,
        z: Floats,
    ) -> tuple[Floats, Floats, Floats]:
        """Belt coordinates to the block's own: along, across, up."""
        x0, y0, cosine, sine, seat, roll, pitch = self._pose(values, run)
        own = self._turned[run]
        dx, dy = own * (x - x0), own * (y - y0)
        along = dx * cosine + dy * sine
        across = dy * cosine - dx * sine
        half_width, half_length = self.block.width_mm / 2, self.block.length_mm / 2
        up = z - seat - 1e-3 * (roll * (across - half_width) + pitch * (along - half_length))
        return along, across, up

    def to_sheet(
        self,
        values: npt.NDArray[np.number],
        run: npt.NDArray[np.int64],
        along: Floats,
        across: Floats,
        up: Floats,
    ) -> tuple[Floats, Floats]:
        """Block coordinates to y, z of the belt frame (the inverse of `to_block`, without x)."""
        _, y0, cosine, sine, seat, roll, pitch = self._pose(values, run)
        own = self._turned[run]
        half_width, half_length = self.block.width_mm / 2, self.block.length_mm / 2
        z = up + seat + 1e-3 * (roll * (across - half_width) + pitch * (along - half_length))
        return y0 + own * (across * cosine + along * sine), z

    def profile(self, values: npt.NDArray[np.number]) -> Floats:
        """Give the profile with its fitted departures, at reference temperature."""
        profile = self.points.astype(values.dtype)
        across = np.array(
            [self._one(values, f"block.across{i}_mm") for i in range(int(self.faces[-1]) + 1)]
        )
        heights = np.array(
            [self._one(values, f"block.height{i}_mm") for i in range(int(self.levels.max()) + 1)]
        )
        common = self._one(values, "block.common_height_mm")
        profile[:, 0] += across[self.faces]
        profile[:, 1] += np.where(self.levels >= 0, heights[self.levels] + common, 0)
        return profile

    def prior_residuals(self, values: npt.NDArray[np.number]) -> Floats:
        """Departures from what was known beforehand, each over its standard uncertainty."""
        known = np.isfinite(self.priors)
        parts = [values[known] / self.priors[known]]
        told = [i for i, setup in enumerate(self.passes) if setup.across_mm is not None]
        if told:
            run = np.array(told)
            across = np.array([self.passes[i].across_mm for i in told], dtype=np.float64)
            u = np.array([max(self.passes[i].u_across_mm, 1e-3) for i in told])
            trailing = np.where(self._turned[run] < 0, 0.0, self.block.length_mm)
            y, _ = self.to_sheet(values, run, trailing, np.zeros(run.size), np.zeros(run.size))
            parts.append((y - across) / u)
        else:
            # y = 0 is then the middle of the belt seen: the first guess is held
            first = values[self.index[f"pass.{self.passes[0].name}.y_mm"]]
            parts.append(np.array([first - self.first_y_mm]))
        return np.concatenate(parts)

    @cached_property
    def prior_owners(self) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
        """Whose each of the prior residuals is: a parameter's, or a pass's placement; else -1."""
        known = np.flatnonzero(np.isfinite(self.priors))
        told = [i for i, setup in enumerate(self.passes) if setup.across_mm is not None] or [0]
        nobody = np.full(known.size, -1), np.full(len(told), -1)
        return np.concatenate([known, nobody[1]]), np.concatenate([nobody[0], np.array(told)])

    #: y of the first pass where no pass says where it lies
    first_y_mm: float = 0.0

    def _pose(
        self, values: npt.NDArray[np.number], run: npt.NDArray[np.int64]
    ) -> tuple[Floats, ...]:
        """Place, cosine and sine of the yaw, seat, roll and pitch of each observation's pass."""
        names = self._pass_names
        x, y, yaw, seat, roll, pitch = (
            self.column(values, f"pass.{{}}.{what}", names) for what in _PASS_NAMES
        )
        yaw = yaw * (np.pi / 180)
        return tuple(own[run] for own in (x, y, np.cos(yaw), np.sin(yaw), seat, roll, pitch))

    def _one(self, values: npt.NDArray[np.number], name: str) -> np.number:
        i = self.index.get(name, -1)
        return values[i] if i >= 0 else values.dtype.type(0)
