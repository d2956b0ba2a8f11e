"""The JSON Schema of a coupon's manifest: which feature is where, and what stands beside it."""

from __future__ import annotations

from dataclasses import dataclass

from wallguard.base.coupon import SCHEMA
from wallguard.reports.json_codec import Format


@dataclass(frozen=True)
class Measure:
    """Where a feature is measured, in the frame of its plate.

    across  along which axis the jaws close
    at      points, mm
    """

    across: str
    at: tuple[tuple[float, float, float], ...]


@dataclass(frozen=True)
class Feature:
    """One wall, gap, pin or hole of the coupon.

    feature  its kind
    axis     along which axis of the machine it stands; may be empty
    nominal  its size as drawn, mm
    mark     what stands beside it
    box      its lowest and highest corner, mm
    """

    feature: str
    axis: str
    nominal: float
    mark: str
    box: tuple[tuple[float, float, float], tuple[float, float, float]]
    measure: Measure


@dataclass(frozen=True)
class Plate:
    """One plate. `files` are its meshes, `size` is its width and depth in mm."""

    plate: int
    files: tuple[str, ...]
    size: tuple[float, float]
    features: tuple[Feature, ...]


@dataclass(frozen=True)
class Manifest:
    """A coupon. Lengths in mm.

    process  the name in its rule file; rules: that file, without folders
    files    the SHA-256 of every file that was written beside it, by name
    digest   of the manifest itself
    """

    process: str
    rules: str
    category: str
    round: int
    unit: str
    layer_height: float
    base: float
    wall_height: float
    free_beside_walls: float
    mark_stroke: float
    plates: tuple[Plate, ...]
    files: dict[str, str]
    digest: str


MANIFEST = Format(
    name=SCHEMA, title="wallguard coupon manifest", of=Manifest, frame="that of the plate's files"
)
