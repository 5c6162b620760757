"""Simulated density studies with known truth: coverage, fault injection, prediction.

Pieces are rows of volume, plan area and thickness; weights follow from true volume, true density
with scatter from piece to piece, and a scale. Nothing of the study's own code makes them.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geomscan.studies.study import DensityStudy, study_density
from geomscan.studies.table import Assumption, StudyPieces
from geomscan.studies.weighings import Weighing

Floats = npt.NDArray[np.float64]

IN_USE_KG_M3 = 1055.0


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What a simulated plant is really like."""

    n: int = 40
    density_kg_m3: float = IN_USE_KG_M3
    scatter: float = 0.005
    offset_mm: float = 0.0
    lane_scale: float = 0.0  #: lane 2 measures this share too much
    drift: float = 0.0  #: measured volume grows by this share from first to last
    swapped: int = 0  #: labels that lie crosswise
    zero_g: float = 0.0
    gain: float = 0.0
    resolution_g: float = 1.0
    checks_g: tuple[float, ...] = ()
    per_kelvin: float = 0.0
    fat_kg_m3: float = float("nan")
    drip_per_minute: float = 0.0  #: share of the weight that drips off


@dataclass(frozen=True, kw_only=True)
class Simulated:
    """Measured pieces, rows of the scale, and what they really weigh."""

    pieces: StudyPieces
    weighings: list[Weighing]
    true_g: Floats
    swapped: set[int]  #: piece numbers whose labels lie crosswise


def simulate(truth: Truth, random: np.random.Generator) -> Simulated:
    """Draw one study: 12 to 40 mm thick, 60 to 200 cm² of plan area, two lanes."""
    n = truth.n
    thickness_mm = random.uniform(12, 40, n)
    area_cm2 = random.uniform(60, 200, n)
    true_cm3 = area_cm2 * thickness_mm / 10
    lane = random.permutation(np.arange(n) % 2) + 1
    time_s = np.cumsum(random.uniform(4, 8, n))
    temperature_c = random.uniform(2, 6, n)

    fat_share = np.zeros(n)
    density = truth.density_kg_m3 * (1 + truth.scatter * random.standard_normal(n))
    density *= 1 + truth.per_kelvin * (temperature_c - 4)
    fat_cm3 = np.zeros(n)
    if np.isfinite(truth.fat_kg_m3):
        fat_share = random.uniform(0, 0.6, n)
        fat_cm3 = fat_share * area_cm2 * 0.4
    true_g = (density * (true_cm3 - fat_cm3) + np.nan_to_num(truth.fat_kg_m3) * fat_cm3) / 1000

    # the scanner: common scale and height for all, belt zero and noise for each piece
    u_run_cm3 = np.hypot(0.001 * true_cm3, 0.002 * area_cm2)
    u_own_cm3 = np.hypot(0.001 * true_cm3, 0.002 * area_cm2)
    measured_cm3 = (
        true_cm3 * (1 + 0.001 * random.standard_normal() + 0.001 * random.standard_normal(n))
        + area_cm2 * 0.002 * (random.standard_normal() + random.standard_normal(n))
        + area_cm2 * truth.offset_mm / 10
    )
    measured_cm3 *= 1 + truth.lane_scale * (lane == 2)
    measured_cm3 *= 1 + truth.drift * (time_s - time_s[0]) / np.ptp(time_s)

    def weigh(mass_g: float) -> float:
        reading_g = mass_g * (1 + truth.gain) + truth.zero_g
        return float(np.round(reading_g / truth.resolution_g) * truth.resolution_g)

    minutes = random.uniform(2, 40, n)
    readings = [weigh(mass_g) for mass_g in true_g * (1 - truth.drip_per_minute * minutes)]
    swapped: set[int] = set()
    if truth.swapped:
        # swap labels of pieces that differ by 4 u and more; u is 0.6 %: scatter, volume and scale
        order = random.permutation(n).tolist()
        while order and len(swapped) < 2 * truth.swapped:
            first = order.pop()
            u_g = 0.006 * true_g[first]
            partner = next((i for i in order if abs(true_g[i] - true_g[first]) > 4 * u_g), None)
            if partner is not None:
                order.remove(partner)
                readings[first], readings[partner] = readings[partner], readings[first]
                swapped |= {first + 1, partner + 1}
    pieces = StudyPieces(
        recording=np.full(n, "run"),
        piece=np.arange(1, n + 1),
        lane=lane,
        head=np.full(n, ""),
        volume_cm3=measured_cm3,
        area_cm2=area_cm2,
        fat_cm3=fat_cm3,
        u_own_cm3=u_own_cm3,
        u_run_cm3=u_run_cm3,
        predicted_g=np.full(n, np.nan),
        thickness_mm=10 * measured_cm3 / area_cm2,
        x_mm=np.cumsum(random.uniform(150, 250, n)),
        y_mm=random.uniform(-150, 150, n),
        time_s=time_s,
        temperature_c=temperature_c,
        flags=np.full(n, ""),
        assumption=Assumption(lean_kg_m3=IN_USE_KG_M3),
    ).under(Assumption(lean_kg_m3=IN_USE_KG_M3))
    weighings = [
        Weighing(
            row=number + 1,
            weight_g=reading,
            recording="run",
            piece=number,
            minutes_after_scan=float(minutes[number - 1]) if truth.drip_per_minute else np.nan,
        )
        for number, reading in enumerate(readings, 1)
    ]
    weighings += [
        Weighing(row=n + 2 + index, weight_g=weigh(mass_g), certified_g=mass_g)
        for index, mass_g in enumerate(truth.checks_g)
    ]
    return Simulated(pieces=pieces, weighings=weighings, true_g=true_g, swapped=swapped)


def study_of(simulated: Simulated) -> DensityStudy:
    return study_density(simulated.pieces, simulated.weighings)
