"""geomscan density."""

from pathlib import Path

import click

from geomscan.cli.output import finish, json_option, say, whole_command

__all__ = ["command"]


@click.command(
    "density",
    help="A density study: pair the results in OUT… with weighed pieces, find density and height "
    "offset, judge the density in use, and rank why weights are off.",
)
@click.argument("outs", metavar="OUT...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--weights",
    required=True,
    type=click.Path(path_type=Path),
    help="CSV from the check scale: weight_g and, where known, recording, piece, lane, order, "
    "time, resolution_g, temperature_c, minutes_after_scan, certified_g.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="Density file to write, for [density] file in the settings; its page goes beside it.",
)
@click.option(
    "--tolerance-percent",
    default=1.0,
    show_default=True,
    type=click.FloatRange(min=0, min_open=True, max=49),
    help="Difference of density that does not matter.",
)
@click.option(
    "--assume-kg-m3",
    type=click.FloatRange(200, 2000),
    help="Judge this density instead of the one in use.",
)
@json_option
@whole_command
def command(
    outs: tuple[Path, ...],
    weights: Path,
    out: Path | None,
    tolerance_percent: float,
    assume_kg_m3: float | None,
    as_json: bool,
) -> int:
    """Study densities."""
    from geomscan.errors import InputError
    from geomscan.files import sha256_file, write_whole
    from geomscan.mass.density_file import write_density_file
    from geomscan.report.study import study_page
    from geomscan.studies.advice import advise
    from geomscan.studies.study import study_density
    from geomscan.studies.summary import density_file_of, summarise
    from geomscan.studies.table import Assumption, find_results, read_pieces
    from geomscan.studies.weighings import read_weights

    if out is not None and out.suffix.lower() != ".json":
        msg = f"{out}: expected a name that ends in .json"
        raise InputError(msg)
    weighings = read_weights(weights)
    pieces = read_pieces(outs)
    study = study_density(
        pieces,
        weighings,
        tolerance=tolerance_percent / 100,
        assumption=None if assume_kg_m3 is None else Assumption(lean_kg_m3=assume_kg_m3),
    )
    if out is not None:
        inputs = {
            str(path / "pieces.csv"): sha256_file(path / "pieces.csv")
            for path in find_results(outs)
        }
        inputs[str(weights)] = sha256_file(weights)
        page = out.with_suffix(".html")
        names = ", ".join(dict.fromkeys(pieces.recording.tolist()))
        title = f"Density study: {names if len(names) < 80 else f'{names[:77]}…'}"
        write_whole(page, study_page(study, title=title).encode())
        write_density_file(out, density_file_of(study, inputs=inputs))
        say(f"density file {out}, page {page}")
    fit = study.fit
    lines = [
        f"{study.n_used} pieces, paired {study.pairing_how}; {len(study.set_aside)} set aside",
        f"density of lean {fit.value('lean'):.1f} ± {fit.u('lean'):.1f} kg/m³",
    ]
    if study.choice.fat_told:
        lines.append(f"density of fat {fit.value('fat'):.1f} ± {fit.u('fat'):.1f} kg/m³")
    if "offset" in fit.names:
        lines.append(f"height offset {fit.value('offset'):+.3f} ± {fit.u('offset'):.3f} mm")
    lines += [f"{item.recording} {item.piece}: {item.why}" for item in study.set_aside]
    lines += [f"- {step}" for step in advise(study)]
    if out is None:
        lines.append("(--out density.json keeps the density file and the page)")
    finish(summarise(study), as_json=as_json, text="\n".join(lines))
    return 0
