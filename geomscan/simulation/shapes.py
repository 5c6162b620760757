"""The solids a scene may hold, as written in its file; volumes in closed form stand in `solids`."""

from typing import Annotated, Literal

from pydantic import Field

from geomscan.files import FileModel

__all__ = [
    "Ball",
    "Box",
    "Cap",
    "Cylinder",
    "Ellipsoid",
    "Fillet",
    "FlatSide",
    "Frustum",
    "MeshFile",
    "Paraboloid",
    "Prismoid",
    "Shape",
]

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Sides = tuple[Annotated[float, Field(ge=0)], Annotated[float, Field(ge=0)]]


class Cap(FileModel):
    """Spherical cap on its base circle."""

    shape: Literal["cap"] = "cap"
    base_radius_mm: Positive
    height_mm: Positive


class Ellipsoid(FileModel):
    """Upper half of an ellipsoid; its rim is upright. With three equal axes a hemisphere."""

    shape: Literal["ellipsoid"] = "ellipsoid"
    half_axes_mm: tuple[Positive, Positive]
    height_mm: Positive


class Paraboloid(FileModel):
    """Elliptic paraboloid on its base."""

    shape: Literal["paraboloid"] = "paraboloid"
    half_axes_mm: tuple[Positive, Positive]
    height_mm: Positive


class Frustum(FileModel):
    """Frustum of a cone; with a top wider than the base it overhangs."""

    shape: Literal["frustum"] = "frustum"
    base_radius_mm: Positive
    top_radius_mm: NotNegative
    height_mm: Positive


class Ball(FileModel):
    """A ball cut flat `cut_mm` below its equator: wider above than on the belt."""

    shape: Literal["ball"] = "ball"
    radius_mm: Positive
    cut_mm: NotNegative


class Prismoid(FileModel):
    """Rectangle below, rectangle above; a wedge where one side above is 0."""

    shape: Literal["prismoid"] = "prismoid"
    base_mm: tuple[Positive, Positive]
    top_mm: Sides
    height_mm: Positive


class Box(FileModel):
    """Upright box: along, across, height."""

    shape: Literal["box"] = "box"
    size_mm: tuple[Positive, Positive, Positive]


class Cylinder(FileModel):
    """Part of a lying cylinder, cut flat by the belt; its axis runs along x."""

    shape: Literal["cylinder"] = "cylinder"
    radius_mm: Positive
    height_mm: Positive
    length_mm: Positive


class FlatSide(FileModel):
    """A side pressed flat against a neighbour: a chord of the outline, facing `toward_deg`."""

    toward_deg: float
    distance_mm: Positive


class Fillet(FileModel):
    """Lobed, flat-bottomed piece: an ellipse with waves, domed as (1 - rho²)^fullness.

    `taper` makes one end thicker, `rim_mm` stands upright below the dome, `tuck_mm` draws the foot
    in below the rim (an overhang), `arch_mm` lifts the underside off the belt in the middle (air
    below the piece).
    """

    shape: Literal["fillet"] = "fillet"
    half_axes_mm: tuple[Positive, Positive]
    height_mm: Positive
    fullness: Annotated[float, Field(gt=0.2, le=3)] = 0.8
    waves: tuple[
        tuple[Annotated[int, Field(ge=1, le=9)], float, float], ...
    ] = ()  # order, depth, phase deg
    taper: Annotated[float, Field(gt=-0.9, lt=0.9)] = 0.0
    rim_mm: NotNegative = 0.0
    tuck_mm: NotNegative = 0.0
    arch_mm: NotNegative = 0.0
    flat_sides: tuple[FlatSide, ...] = ()


class MeshFile(FileModel):
    """A watertight mesh from a file, its lowest point laid on the belt (extra `mesh`)."""

    shape: Literal["mesh"] = "mesh"
    file: str
    scale: Positive = 1.0


Shape = (
    Cap | Ellipsoid | Paraboloid | Frustum | Ball | Prismoid | Box | Cylinder | Fillet | MeshFile
)
