#!/usr/bin/env python3
"""Writes the example buildings in models/: OBJ, GLB, a plan for each, and the answers by hand.

The village of Quillowmere, its streets and its buildings are invented. Run it again and it writes the
same bytes; it needs nothing but Python.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from model_kit import cottages, larger, plans
from model_kit.house import METRES, House
from model_kit.meshfiles import write_glb, write_obj
from model_kit.solid import Polyhedron

VILLAGE = "Quillowmere, an invented village: no such place, street or building is meant"
HOUSES = (
    cottages.gable,
    cottages.hip,
    cottages.l_valley,
    cottages.dormers,
    cottages.t_plan,
    larger.mono_pitch,
    larger.mansard,
    larger.flat,
    larger.terrace,
    larger.butterfly,
    larger.forty_planes,
)


def write_house(house: House, folder: Path) -> None:
    """OBJ, GLB and plan of one house."""
    solids = house.solids()
    heading = [f"{house.address}, {VILLAGE}", house.title]
    metres = METRES[house.file_unit]
    moved = {
        name: Polyhedron(
            [
                (
                    p[0] + house.offset[0] / metres,
                    p[1] + house.offset[1] / metres,
                    p[2] + house.offset[2] / metres,
                )
                for p in solid.vertices
            ],
            solid.faces,
        )
        for name, solid in solids.items()
    }
    write_obj(folder / f"{house.name}.obj", moved, [*heading, f"unit: {house.file_unit}, z up"])
    write_glb(folder / f"{house.name}.glb", solids, metres, house.offset, heading)
    (folder / f"{house.name}.toml").write_text(plans.text(house, VILLAGE), encoding="utf-8", newline="\n")


def answers(house: House) -> dict[str, object]:
    """What is known of the house without any program: see the functions that draw it."""
    return {
        "title": house.title,
        "obj_unit": house.file_unit,
        "parts": list(house.parts),
        "planes": house.planes,
        "edges": house.edges,
        "volumes_m3": house.volumes,
        "notes": house.notes,
    }


def main(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    houses = [make() for make in HOUSES]
    for house in houses:
        write_house(house, folder)
    document = {
        "about": f"Worked out by hand from the drawings (scripts/model_kit). {VILLAGE}.",
        "units": "metres, square metres, cubic metres; degrees; azimuth clockwise from +y, downslope",
        "houses": {house.name: answers(house) for house in houses},
    }
    text = json.dumps(document, indent=1, ensure_ascii=False) + "\n"
    (folder / "answers.json").write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parents[1] / "models")
