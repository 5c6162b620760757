"""Check a calibration on another block, or on the bare belt: errors with their uncertainties."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from geomscan.commissioning.assemble import model_of
from geomscan.commissioning.ends import displaced_by, share_lines
from geomscan.commissioning.find_block import BareBelt, find_bare, find_block
from geomscan.commissioning.gather import gather_pass
from geomscan.commissioning.model import Model, PassSetup
from geomscan.commissioning.observations import ENDS, Kind, Observations
from geomscan.commissioning.pass_lines import PassLines, read_pass_lines
from geomscan.commissioning.probing import Cloud, Probing, cloud_of, probe
from geomscan.commissioning.start import first_placement, match_profile
from geomscan.errors import CalibrationError, InputError
from geomscan.recording.block import ReferenceBlock, RoundReference
from geomscan.recording.recording import Recording
from geomscan.scanner.calibration import ScannerCalibration
from geomscan.scanner.modes import common_modes

__all__ = ["Flatness", "Limits", "Step", "Verification", "Width", "judge", "verify"]

Floats = npt.NDArray[np.float64]

#: coverage factor of E_n: expanded uncertainties at about 95 % (ISO/IEC 17043:2010, B.3.1.3)
_K = 2.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Step:
    """Height of one step over the belt beside it, seen by one head; across_mm is its middle's y."""

    recording: str
    head: str
    across_mm: float
    height_mm: float
    u_height_mm: float
    certified_mm: float
    u_certified_mm: float

    @property
    def error_mm(self) -> float:
        """Measured less certified."""
        return self.height_mm - self.certified_mm

    @property
    def e_n(self) -> float:
        """Error over the expanded uncertainties of both."""
        return self.error_mm / (_K * float(np.hypot(self.u_height_mm, self.u_certified_mm)))


@dataclass(frozen=True, kw_only=True, slots=True)
class Width:
    """Width of a step at its own height, or of the whole block at its foot (at_mm = 0)."""

    recording: str
    head: str
    at_mm: float
    width_mm: float
    u_width_mm: float
    certified_mm: float
    u_certified_mm: float

    @property
    def error_mm(self) -> float:
        """Measured less certified."""
        return self.width_mm - self.certified_mm

    @property
    def e_n(self) -> float:
        """Error over the expanded uncertainties of both."""
        return self.error_mm / (_K * float(np.hypot(self.u_width_mm, self.u_certified_mm)))


@dataclass(frozen=True, kw_only=True, slots=True)
class Flatness:
    """The bare belt: its mean height, and how its profile's means over 16 columns spread."""

    recording: str
    head: str
    mean_mm: float
    peak_to_peak_mm: float
    rms_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Limits:
    """What a user asks for; None = every |E_n| ≤ 1."""

    height_error_mm: float | None = None
    width_error_mm: float | None = None
    length_error_mm: float | None = None
    probing_error_mm: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Verification:
    """All that was found; `failures` are sentences, empty where everything is within its limits."""

    steps: tuple[Step, ...] = ()
    widths: tuple[Width, ...] = ()
    flatness: tuple[Flatness, ...] = ()
    probing: tuple[Probing, ...] = ()
    length_mm: float | None = None
    u_length_mm: float | None = None
    certified_length_mm: float | None = None
    failures: tuple[str, ...] = field(default=())

    @property
    def passed(self) -> bool:
        """Whether every check was met."""
        return not self.failures


def verify(
    recordings: Sequence[Recording],
    calibration: ScannerCalibration,
    block: ReferenceBlock | RoundReference | None,
    *,
    limits: Limits | None = None,
) -> Verification:
    """Measure another block, a ball or a cylinder with a calibration; compare with its certificate.

    Parameters
    ----------
    recordings : sequence of Recording
        Passes of the block; recordings of the bare belt alone add flatness.
    block : ReferenceBlock or RoundReference, optional
        None where all recordings show the bare belt.
    limits : Limits, optional
        Largest errors allowed; without any, every |E_n| must be at most 1.

    Raises
    ------
    InputError
        If a recording's heads are not the calibration's own, or the block is its own mirror image
        and the recording does not say which way it lay.
    CalibrationError
        If a pass shows no block, another block, or more than one.
    """
    steps: list[Step] = []
    widths: list[Width] = []
    flatness: list[Flatness] = []
    probing: list[Probing] = []
    ends: list[tuple[str, float, float]] = []
    scales: list[float] = []
    for recording in recordings:
        sizes = {
            h.name: (h.line_axes().n_columns, h.line_axes().n_rows)
            for h in recording.manifest.heads
        }
        calibration.check_recording(sizes, where=str(recording.path))
        clouds: dict[str, Cloud] = {}
        for name in sorted(sizes):
            lines = read_pass_lines(recording, name)
            where = f"{recording.path.name}, head {name}"
            bare = find_bare(lines, where=where)
            flatness.append(_flatness(calibration, lines, bare, recording.path.name, name))
            if block is None or bare.all_bare:
                continue
            if isinstance(block, RoundReference):
                clouds[name] = cloud_of(calibration, lines, bare, name)
                continue
            placed = _Placed.find(recording, calibration, lines, block, name, where)
            steps += placed.steps()
            widths += placed.widths()
            ends.append((recording.path.name, *placed.length()))
            scales.append(placed.scale)
        if isinstance(block, RoundReference):
            probing += _probe(clouds, block, recording)
    if block is not None and not ends and not probing:
        msg = "no block in any recording: only bare belt"
        raise CalibrationError(msg)
    profile = None if isinstance(block, RoundReference) else block
    length, u_length, certified = _combine(ends, calibration, profile, scales)
    found = Verification(
        steps=tuple(steps),
        widths=tuple(widths),
        flatness=tuple(flatness),
        probing=tuple(probing),
        length_mm=length,
        u_length_mm=u_length,
        certified_length_mm=certified,
    )
    return replace(found, failures=judge(found, profile, limits or Limits()))


def _probe(
    clouds: dict[str, Cloud], reference: RoundReference, recording: Recording
) -> list[Probing]:
    """Probe each head's points, and those of all heads together."""
    if len(clouds) > 1:
        clouds = clouds | {"all": Cloud.join(list(clouds.values()))}
    return [
        probe(
            cloud, reference, temperature_c=recording.manifest.temperature_c,
            recording=recording.path.name, head=name,
        )
        for name, cloud in clouds.items()
    ]  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Placed:
    """One head's view of the block, placed on the belt with the calibration held fixed."""

    recording: str
    head: str
    calibration: ScannerCalibration
    block: ReferenceBlock
    model: Model
    values: Floats
    obs: Observations
    residual_mm: Floats
    belt: Observations
    scale: float
    u_ends: tuple[float, float]  #: counts, by the sheet's thickness

    @staticmethod
    def find(
        recording: Recording,
        calibration: ScannerCalibration,
        lines: PassLines,
        block: ReferenceBlock,
        name: str,
        where: str,
    ) -> "_Placed":
        """Find the block and fit where it lies."""
        found = find_block(lines, where=where)
        match = match_profile(lines, found, block, where=where)
        head = calibration.head(name)
        y, _ = head.to_plane(
            lines.column_px[[found.left, found.right]], found.belt_row_px[[found.left, found.right]]
        )
        to_right = bool(y[1] > y[0])
        placement = recording.manifest.block
        reversed_ = match.forward != to_right
        if match.misfit_share > 0.6 * match.other_share:
            if placement is None:
                msg = (
                    f"{recording.path}: block {block.name} looks alike both ways round: "
                    "say [block] reversed in the recording"
                )
                raise InputError(msg)
            reversed_ = placement.reversed
        elif placement is not None and placement.reversed != reversed_:
            msg = f"{where}: the block lies the other way round than [block] reversed says"
            raise CalibrationError(msg)
        temperature = recording.manifest.temperature_c
        setup = PassSetup(
            name="check",
            reversed=reversed_,
            across_mm=None,
            u_across_mm=1.0,
            temperature_c=block.reference_temperature_c if temperature is None else temperature,
        )
        model, values = model_of(calibration, block, name, setup)
        x, y0, yaw = first_placement(
            lines, found, block, across_mm=None, reversed_=reversed_, columns_to_right=to_right,
            mm_per_count=abs(calibration.mm_per_count),
        )  # fmt: skip
        corner = found.left if (to_right != reversed_) else found.right
        y0 = (
            float(head.to_plane(lines.column_px[corner], found.belt_row_px[corner])[0])
            - (-1.0 if reversed_ else 1.0) * np.sin(yaw) * block.length_mm / 2
        )
        for what, value in (("x_mm", x), ("y_mm", y0), ("yaw_deg", np.degrees(yaw))):
            values[model.index[f"pass.check.{what}"]] = value
        obs = Observations.of(Kind.BELT, 0, 0, 0, [], [], [], [], [])
        u_ends = (0.0, 0.0)
        for tolerance, fine in ((4.0, False), (1.0, True)):
            obs, noise = gather_pass(
                model, values, lines, found, head=0, run=0, tolerance_mm=tolerance, fine=fine
            )
            u_ends = displaced_by(noise.thickness, noise.face_seen)
            obs = share_lines(obs.where(obs.kind != Kind.SHADOW))
            values = _place(model, values, obs)
        return _Placed(
            recording=recording.path.name, head=name, calibration=calibration, block=block,
            model=model, values=values, obs=obs, residual_mm=model.residuals(values, obs),
            belt=obs.where(obs.kind == Kind.BELT), scale=float(model.scale[0]), u_ends=u_ends,
        )  # fmt: skip

    def steps(self) -> list[Step]:
        """Heights over the belt beside, for each step or slope."""
        out = []
        y_belt, z_belt = self.model.plane(
            self.values, self.belt.head, self.belt.column_px, self.belt.row_px
        )
        belt = np.polynomial.Polynomial.fit(y_belt, z_belt, 3)
        u_certified = float(np.hypot(self.block.u_height_mm, self.block.u_common_height_mm))
        for f in np.unique(self.obs.feature[self.obs.kind == Kind.SURFACE]):
            own = (self.obs.kind == Kind.SURFACE) & (self.obs.feature == f)
            part = self.obs.where(own)
            y, z = self.model.plane(self.values, part.head, part.column_px, part.row_px)
            error = self.residual_mm[own] - belt(y)
            weight = part.n / part.n.sum()
            h0, h1 = self.model.points[f, 1], self.model.points[f + 1, 1]
            certified = self.scale * (h0 + h1) / 2
            noise = float(np.std(error)) / np.sqrt(max(error.size, 1))
            modes = common_modes(self.calibration, self.head, y, z)[:, 2] @ weight
            modes = (
                modes
                - common_modes(self.calibration, self.head, y, np.zeros_like(y))[:, 2] @ weight
            )
            u = float(np.sqrt(noise**2 + np.sum(modes**2)))
            out.append(
                Step(
                    recording=self.recording, head=self.head, across_mm=float(y @ weight),
                    height_mm=certified + float(error @ weight), u_height_mm=u,
                    certified_mm=float(certified),
                    u_certified_mm=u_certified,
                )
            )  # fmt: skip
        return out

    def widths(self) -> list[Width]:
        """Distances between faces, of each tread and of the whole block."""
        faces: dict[int, tuple[float, float, Floats]] = {}
        for f in np.unique(self.obs.feature[self.obs.kind == Kind.SIDE]):
            own = (self.obs.kind == Kind.SIDE) & (self.obs.feature == f)
            part, left = self.obs.where(own), self.residual_mm[own]
            y, z = self.model.plane(self.values, part.head, part.column_px, part.row_px)
            place = self.scale * self.model.points[f, 0] + float(np.median(left))
            per_column = self._mm_per_column(y, z)
            edge = float(self.calibration.figures.get("u_edge_px", 0.0)) * per_column
            spread = max(float(np.std(left)), float(np.median(part.u)) * per_column)
            u = float(np.hypot(spread / np.sqrt(left.size), edge))
            modes = common_modes(self.calibration, self.head, y.mean(), z.mean())[:, 1]
            faces[self.model.faces[f]] = (place, u, modes)
        pairs = [
            (self.model.faces[t.first], self.model.faces[t.first + 1], t.height_mm)
            for t in self.block.treads
        ]
        pairs.append((0, int(self.model.faces[-1]), 0.0))
        out = []
        ends = {int(self.model.faces[i]): float(a) for i, (a, _) in enumerate(self.model.points)}
        for left, right, height in pairs:
            if left not in faces or right not in faces:
                continue
            (a, u_a, modes_a), (b, u_b, modes_b) = faces[left], faces[right]
            u = float(np.sqrt(u_a**2 + u_b**2 + np.sum((modes_b - modes_a) ** 2)))
            out.append(
                Width(
                    recording=self.recording, head=self.head, at_mm=height, width_mm=b - a,
                    u_width_mm=u, certified_mm=self.scale * (ends[right] - ends[left]),
                    u_certified_mm=float(np.sqrt(2) * self.block.u_across_mm),
                )
            )  # fmt: skip
        return out

    def _mm_per_column(self, y: Floats, z: Floats) -> float:
        head = self.calibration.head(self.head)
        column, row = head.from_plane(y.mean(), z.mean())
        return float(abs(head.mm_per_px(column, row)[0]))

    def length(self) -> tuple[float, float]:
        """Length along travel and its uncertainty from noise alone."""
        end = np.isin(self.obs.kind, ENDS)
        per_count = abs(self.calibration.mm_per_count)
        places = []
        for feature in (0, 1):
            own = end & (self.obs.feature == feature)
            if not own.any():
                return float("nan"), float("nan")
            weight = 1 / (self.obs.u[own] * per_count) ** 2
            left = self.residual_mm[own]
            places.append((float(left @ weight / weight.sum()), 1 / float(weight.sum())))
        (a, var_a), (b, var_b) = places
        u = np.hypot(np.sqrt(var_a + var_b), np.hypot(*self.u_ends) * per_count)
        return self.scale * self.block.length_mm + b - a, float(u)


def _place(model: Model, values: Floats, obs: Observations) -> Floats:
    """Fit x, y and yaw of one pass; all else is held."""
    from geomscan.commissioning.fit import jacobian_of, to_mm

    free = [model.index[f"pass.check.{what}"] for what in ("x_mm", "y_mm", "yaw_deg")]
    own = obs.where(obs.kind != Kind.BELT)
    values = values.copy()
    slopes = (
        model.points[own.feature, 1]
        != model.points[np.minimum(own.feature + 1, len(model.points) - 1), 1]
    )
    use = (own.kind != Kind.SURFACE) | slopes
    own = own.where(use)
    for _ in range(8):
        u = np.maximum(to_mm(model, values, own), 1e-4)
        left = model.residuals(values, own) / u
        limit = 5 * max(1.0, 1.4826 * float(np.median(np.abs(left))))
        w = np.where(np.abs(left) < limit, 1 - (left / limit) ** 2, 0.0)
        rows = jacobian_of(model, values, own)[0][:, free] * (w / u)[:, None]
        change = np.linalg.lstsq(rows, -left * w, rcond=None)[0]
        values[free] += change
    return values


def _flatness(
    calibration: ScannerCalibration, lines: PassLines, bare: BareBelt, recording: str, name: str
) -> Flatness:
    columns = np.flatnonzero(np.isfinite(bare.belt_row_px))
    bins = columns[: columns.size // 16 * 16].reshape(-1, 16)
    row = bare.belt_row_px[bins]
    _, z = calibration.head(name).to_plane(lines.column_px[bins], row)
    means = z.mean(axis=1)
    return Flatness(
        recording=recording, head=name, mean_mm=float(means.mean()),
        peak_to_peak_mm=float(np.ptp(means)), rms_mm=float(np.std(means)),
    )  # fmt: skip


def _combine(
    ends: list[tuple[str, float, float]],
    calibration: ScannerCalibration,
    block: ReferenceBlock | None,
    scales: list[float],
) -> tuple[float | None, float | None, float | None]:
    """Length over all heads and passes; the belt's scale is common to all.

    Heads share the lines of their pass, so that two heads of one pass are no better than one.
    """
    n_heads = {name: sum(name == other for other, *_ in ends) for name, *_ in ends}
    good = [(length, u * np.sqrt(n_heads[name])) for name, length, u in ends if np.isfinite(length)]
    if block is None or not good:
        return None, None, None
    value, u = np.array(good).T
    weight = 1 / np.maximum(u, 1e-4) ** 2
    mean = float(value @ weight / weight.sum())
    scale = mean * calibration.u_mm_per_count / abs(calibration.mm_per_count)
    u_mean = float(np.hypot(1 / np.sqrt(weight.sum()), scale))
    return mean, u_mean, block.length_mm * float(np.mean(scales))


def judge(found: Verification, block: ReferenceBlock | None, limits: Limits) -> tuple[str, ...]:
    """Say what is not within its limits; without limits, every |E_n| must be at most 1."""
    out = []
    for step in found.steps:
        where = f"{step.recording}, head {step.head}"
        text = f"{where}: height {step.certified_mm:g} mm is off by {step.error_mm:+.4f} mm"
        out += _fault(text, step.error_mm, step.e_n, limits.height_error_mm, limits)
    for width in found.widths:
        where = f"{width.recording}, head {width.head}: width {width.certified_mm:g} mm"
        text = f"{where} at height {width.at_mm:g} mm is off by {width.error_mm:+.4f} mm"
        out += _fault(text, width.error_mm, width.e_n, limits.width_error_mm, limits)
    if block is not None and found.length_mm is not None and found.u_length_mm is not None:
        assert found.certified_length_mm is not None
        error = found.length_mm - found.certified_length_mm
        e_n = error / (_K * float(np.hypot(found.u_length_mm, block.u_length_mm)))
        out += _fault(
            f"length {found.certified_length_mm:g} mm is off by {error:+.4f} mm",
            error,
            e_n,
            limits.length_error_mm,
            limits,
        )
    for found_of in found.probing:
        where = f"{found_of.recording}, head {found_of.head}: {found_of.kind}"
        text = f"{where}: diameter {2 * found_of.certified_mm:g} mm is off by "
        text += f"{found_of.size_error_mm:+.4f} mm"
        limit = limits.probing_error_mm
        out += _fault(text, found_of.size_error_mm, found_of.e_n, limit, limits)
        if limit is not None and not found_of.form_mm <= limit:
            out.append(f"{where}: form {found_of.form_mm:.4f} mm, more than {limit:g} mm")
    return tuple(out)


def _fault(text: str, error: float, e_n: float, limit: float | None, limits: Limits) -> list[str]:
    if limits == Limits():
        return [f"{text}, |E_n| = {abs(e_n):.2f} > 1"] if not abs(e_n) <= 1 else []
    if limit is None:
        return []
    return [f"{text}, more than {limit:g} mm"] if not abs(error) <= limit else []
