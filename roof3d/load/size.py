"""Unit, up axis and extent: from the format's standard or the caller, never guessed in silence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NoReturn

import numpy as np

from roof3d.load.source import Soup, Source, many
from roof3d.records import Floats, Ints
from roof3d.units import LENGTH_UNITS

LEAST_M = 0.5  # a model smaller than this is no building: its unit is wrong
GREATEST_M = 5000.0
FARTHEST_M = 1e8  # beyond this a double no longer holds a tenth of a micrometre
COARSEST_M = 0.05  # coordinates in longer steps than this tell no roof edge
# how great a share of the triangles may lie farther off than GREATEST_M and be left out
_STRAY_SHARE = 0.01
_STRAY_FEW = 12


@dataclass(frozen=True, eq=False)
class Placed:
    """Vertices in the loaded frame, metres, z up."""

    vertices: Floats
    keep: np.ndarray  # (m,) triangles that are not far stray ones
    unit: str
    up: str
    repairs: tuple[str, ...]
    doubts: tuple[str, ...]


def place(source: Source, soup: Soup, format_name: str, unit: str | None, up: str | None) -> Placed:
    """Scale and turn the soup; raises ``InputError`` where unit or up is unknown or the size is absurd."""
    wanted_unit = _one_of(source, "unit", unit, tuple(LENGTH_UNITS))
    wanted_up = _one_of(source, "up", up, ("z", "y"))
    unit = wanted_unit or soup.unit
    up = wanted_up or soup.up
    if unit is None or up is None:
        keep = _near(soup, None if unit is None else LENGTH_UNITS[unit])
        _ask(source, _extent(soup.vertices, soup.triangles[keep]), format_name, unit, up)
    doubts: list[str] = []
    if soup.unit and unit != soup.unit and soup.unit_per_file:
        doubts.append(f"The unit was given as {unit} against {soup.unit_per_file}, which has {soup.unit}.")
    if soup.unit and not soup.unit_per_file and not wanted_unit:
        doubts.append(
            f"The {format_name} file names no reference system of known unit; {soup.unit} was taken."
        )
    if soup.up and up != soup.up:
        doubts.append(
            f"The up axis was given as {up} against {soup.unit_per_file or format_name}, which has {soup.up}."
        )

    keep = _near(soup, LENGTH_UNITS[unit])
    vertices = scaled(soup.vertices, unit)
    if up == "y":
        vertices = np.stack((vertices[:, 0], -vertices[:, 2], vertices[:, 1]), axis=1)
    extent = _extent(vertices, soup.triangles[keep])
    _check(source, extent, vertices, unit, up)
    repairs = []
    stray = int(np.count_nonzero(~keep))
    if stray:
        repairs.append(f"Left out {many(stray, 'triangle')} farther than {GREATEST_M:g} m from the rest.")
    step = soup.step * LENGTH_UNITS[unit]
    if step > COARSEST_M and not stray:  # of far stray triangles the step may be theirs alone
        source.fail(
            "coordinates",
            f"steps of up to {step * 1000:.0f} mm (32-bit floats far from zero)",
            f"steps of at most {COARSEST_M * 1000:.0f} mm (a model near zero, or 64-bit floats, or text)",
        )
    if step > 1e-3:
        doubts.append(
            f"Coordinates are stored in steps of up to {step * 1000:.1f} mm (32-bit floats far from zero)."
        )
    warped = soup.warps * LENGTH_UNITS[unit]
    if (warped > 0.01).any():
        count = int(np.count_nonzero(warped > 0.01))
        flat = f"Not flat: {many(count, 'polygon')}, up to {warped.max():.3f} m off"
        doubts.append(f"{flat}; how to cut them is a guess.")
    return Placed(vertices, keep, unit, up, tuple(repairs), tuple(doubts))


def scaled(vertices: Floats, unit: str) -> Floats:
    """Metres; decimal units by division, so that whole millimetres give the nearest double."""
    divisor = {"m": 1.0, "cm": 100.0, "mm": 1000.0}.get(unit)
    return vertices * LENGTH_UNITS[unit] if divisor is None else vertices / divisor


def _one_of(source: Source, what: str, value: str | None, accepted: tuple[str, ...]) -> str | None:
    if value is None:
        return None
    if not isinstance(value, str) or value.strip().lower() not in accepted:
        source.fail(what, repr(value)[:40], ", ".join(accepted))
    return value.strip().lower()


def _near(soup: Soup, metres: float | None = None) -> np.ndarray:
    """Triangles that lie within reach of the middle one, if few do not.

    Without a unit "far" is judged by the extent of the middle half of all triangles.
    """
    if metres is not None and float(_extent(soup.vertices, soup.triangles).max()) * metres <= GREATEST_M:
        return np.ones(len(soup.triangles), dtype=bool)
    corners = soup.vertices[soup.triangles]
    centres = corners.mean(axis=1)
    middle = np.median(centres, axis=0)
    if metres is None:
        quarter, half = np.percentile(np.abs(centres - middle), (50, 75), axis=0)
        limit = 1000 * float(max(quarter.max(), half.max()))
    else:
        limit = GREATEST_M / metres
    near = (np.abs(corners - middle) <= limit).all(axis=(1, 2))
    far = int(np.count_nonzero(~near))
    if 0 < far <= max(_STRAY_FEW, _STRAY_SHARE * len(near)) and far < 0.5 * len(near):
        return np.asarray(near)
    return np.ones(len(near), dtype=bool)


def _extent(vertices: Floats, triangles: Ints) -> Floats:
    used = np.zeros(len(vertices), dtype=bool)
    used[triangles] = True
    return np.asarray(np.ptp(vertices[used], axis=0))


def _ask(source: Source, extent: Floats, format_name: str, unit: str | None, up: str | None) -> NoReturn:
    """Stop with what each choice would give."""
    tall_z, tall_y = extent, extent[[0, 2, 1]]

    def size(metres: float, of: Floats) -> str:
        return " x ".join(f"{value * metres:.4g}" for value in of) + " m"

    if unit is None:
        choices = ", ".join(
            f"{name} ({size(metres, tall_y if up == 'y' else tall_z)})"
            for name, metres in LENGTH_UNITS.items()
        )
        accepted = f"unit {choices}"
        if up is None:
            high = [f"{value:.4g}" for value in (tall_z[2], tall_y[2])]
            accepted += f"; and up z (height {high[0]} in that unit) or up y (height {high[1]})"
        what = "neither unit nor up axis" if up is None else "no unit"
        source.fail(
            "unit and up" if up is None else "unit", f"{what}; {format_name} files state none", accepted
        )
    metres = LENGTH_UNITS[unit]
    accepted = f"z ({size(metres, tall_z)}, the last being the height) or y ({size(metres, tall_y)})"
    source.fail("up", f"no up axis; {format_name} files state none", accepted)


def _check(source: Source, extent: Floats, vertices: Floats, unit: str, up: str) -> None:
    text = " x ".join(f"{value:.6g}" for value in extent) + f" m (unit {unit}, up {up})"
    greatest = float(extent.max())
    if not LEAST_M <= greatest <= GREATEST_M:
        source.fail("size", text, f"a building {LEAST_M:g} m to {GREATEST_M:g} m long; check the unit")
    farthest = float(np.abs(vertices).max())
    if farthest > FARTHEST_M:
        source.fail("position", f"coordinates up to {farthest:.4g} m", f"up to {FARTHEST_M:g} m")
