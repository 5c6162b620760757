"""Reads the document of a piece and prints where to cut off a target mass; needs no geomscan.

    python read_piece.py pieces/0001.json 24.0 45

prints for the profile at 45 degrees: s in mm, standard uncertainty of the mass before the cut in g,
and the encoder count at the blade.
"""

import json
import sys


def main(path: str, target_g: float, angle_deg: float) -> int:
    """Find the cut; 0 found, 1 too light or not sliced at that angle, 2 wrong file."""
    with open(path, encoding="utf-8") as stream:  # noqa: PTH123 - as plain as can be
        piece = json.load(stream)
    if piece.get("format") != "geomscan.piece/1":
        print(f"{path}: expected geomscan.piece/1", file=sys.stderr)  # noqa: T201
        return 2
    for profile in piece["profiles"]:
        if abs(profile["angle_deg"] - angle_deg) > 1e-3:
            continue
        s, mass, u_mass = profile["s_mm"], profile["cumulative_g"], profile["u_cumulative_g"]
        for k in range(1, len(s)):
            if mass[k] >= target_g and mass[k] > mass[k - 1]:
                share = (target_g - mass[k - 1]) / (mass[k] - mass[k - 1])
                place = s[k - 1] + share * (s[k] - s[k - 1])
                count = float("nan")
                if piece["blade"]:
                    travel = place + piece["blade"]["x_mm"]
                    count = piece["encoder"] + travel / piece["belt"]["mm_per_count"]
                print(f"{place:.3f} {u_mass[k]:.3f} {count:.0f}")  # noqa: T201
                return 0
    return 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], float(sys.argv[2]), float(sys.argv[3])))
