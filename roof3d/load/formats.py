"""The formats that can be read. A new one is one module with ``read(source) -> Soup`` and one line here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from roof3d.load import cityjson, gltf, ifc, obj, off, ply, stl, threemf
from roof3d.load.source import Soup, Source


@dataclass(frozen=True)
class Format:
    """One file format; suffixes are in lower case."""

    name: str
    suffixes: tuple[str, ...]
    read: Callable[[Source], Soup]


FORMATS = (
    Format("OBJ", (".obj",), obj.read),
    Format("glTF", (".glb", ".gltf"), gltf.read),
    Format("PLY", (".ply",), ply.read),
    Format("STL", (".stl",), stl.read),
    Format("OFF", (".off",), off.read),
    Format("3MF", (".3mf",), threemf.read),
    Format("CityJSON", (".city.json", ".city.jsonl", ".json", ".jsonl"), cityjson.read),
    Format("IFC", (".ifc",), ifc.read),
)


def find_format(source: Source) -> Format:
    """Format by the file's suffix; raises ``InputError`` naming all that are known."""
    name = source.path.name.lower()
    found = next((one for one in FORMATS if name.endswith(one.suffixes)), None)
    if found is None:
        known = ", ".join(suffix for one in FORMATS for suffix in one.suffixes)
        source.fail("", f"the suffix {source.path.suffix or 'none'!r}", known)
    return found
