"""The oblique 3D view, drawn by VTK in a child process.

Without any GL library VTK ends its process with a segmentation fault, which no exception handler
sees. So the drawing is done by a child (this file run as a program) that the caller survives; no
display is needed, EGL comes first, then OSMesa, both drawing in software where there is no GPU.
All colours are computed beforehand and drawn unlit, so that a heat colour is the legend's colour.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from roof3d.records import Floats, Ints

WINDOWS = ("vtkEGLRenderWindow", "vtkOSOpenGLRenderWindow")
TIMEOUT_S = 120.0


@dataclass(frozen=True, eq=False)
class View:
    """A parallel projection: ``right``, ``up``, ``towards`` (to the viewer) are orthonormal."""

    right: Floats
    up: Floats
    towards: Floats
    centre: Floats  # (3,) point in the middle of the picture
    metres_per_pixel: float
    width: int
    height: int

    def project(self, points: Floats) -> Floats:
        """Points (n, 3) to pixels (n, 2), y down."""
        relative = np.atleast_2d(points) - self.centre
        x = self.width / 2 + relative @ self.right / self.metres_per_pixel
        y = self.height / 2 - relative @ self.up / self.metres_per_pixel
        return np.column_stack([x, y])

    def depth(self, points: Floats) -> Floats:
        """Height (n,) of points towards the viewer."""
        relative: Floats = (np.atleast_2d(points) - self.centre) @ self.towards
        return relative


def look_from(azimuth_deg: float, elevation_deg: float) -> tuple[Floats, Floats, Floats]:
    """``right``, ``up``, ``towards`` of a viewer at that compass bearing (clockwise from +y)."""
    bearing, rise = np.radians(azimuth_deg), np.radians(elevation_deg)
    towards = np.array([np.sin(bearing) * np.cos(rise), np.cos(bearing) * np.cos(rise), np.sin(rise)])
    right = np.array([-np.cos(bearing), np.sin(bearing), 0.0])
    return right, np.cross(towards, right), towards


@dataclass(frozen=True, eq=False)
class Solid:
    """What to draw: coloured triangles and coloured round bars."""

    triangles: Floats  # (n, 3, 3)
    colours: Ints  # (n, 3) 0..255
    bars: Floats  # (m, 2, 3)
    bar_colours: Ints  # (m, 3)
    bar_radii: Floats  # (m,)


def render(solid: Solid, view: View, background: tuple[int, int, int]) -> tuple[Ints, Floats] | str:
    """Picture (h, w, 3) and depth towards the viewer (h, w; -inf where empty), or why there is none."""
    with tempfile.TemporaryDirectory(prefix="roof3d-") as folder:
        job, done = Path(folder) / "job.npz", Path(folder) / "done.npz"
        np.savez(
            job,
            triangles=solid.triangles,
            colours=solid.colours.astype(np.uint8),
            bars=solid.bars,
            bar_colours=solid.bar_colours.astype(np.uint8),
            bar_radii=solid.bar_radii,
            frame=np.array([view.right, view.up, view.towards, view.centre]),
            size=np.array([view.width, view.height]),
            metres_per_pixel=view.metres_per_pixel,
            background=np.array(background),
        )
        reasons = []
        chosen = os.environ.get("VTK_DEFAULT_OPENGL_WINDOW")
        for window in (chosen,) if chosen else WINDOWS:
            environment = {**os.environ, "VTK_DEFAULT_OPENGL_WINDOW": window}
            try:
                child = subprocess.run(
                    [sys.executable, "-m", "roof3d.show.render3d", str(job), str(done)],
                    env=environment,
                    capture_output=True,
                    text=True,
                    timeout=TIMEOUT_S,
                    check=False,
                )
            except (OSError, subprocess.TimeoutExpired) as error:
                reasons.append(f"{window}: {type(error).__name__}")
                continue
            if child.returncode == 0 and done.exists():
                with np.load(done, allow_pickle=False) as data:
                    return data["image"].astype(np.int64), data["depth"].astype(np.float64)
            last = child.stderr.strip().splitlines()[-1:] or [f"ended with status {child.returncode}"]
            reasons.append(f"{window}: {last[0][:120]}")
        return "; ".join(reasons)


def _main(job: str, done: str) -> None:
    """The child: draws one job. Runs only here does VTK get loaded."""
    import pyvista as pv

    with np.load(job, allow_pickle=False) as data:
        arrays = {name: data[name] for name in data.files}
    _right, up, towards, centre = arrays["frame"]
    width, height = (int(v) for v in arrays["size"])
    plotter = pv.Plotter(off_screen=True, window_size=[width, height], lighting="none")
    plotter.set_background([int(v) for v in arrays["background"]])
    corners = arrays["triangles"]
    if len(corners):
        faces = np.arange(3 * len(corners)).reshape(-1, 3)
        mesh = pv.PolyData.from_regular_faces(corners.reshape(-1, 3), faces)
        mesh.cell_data["colour"] = arrays["colours"]
        plotter.add_mesh(mesh, scalars="colour", rgb=True, lighting=False)
    for radius in np.unique(arrays["bar_radii"]):
        own = arrays["bar_radii"] == radius
        bars = arrays["bars"][own]
        cells = np.column_stack([np.full(len(bars), 2), np.arange(2 * len(bars)).reshape(-1, 2)])
        lines = pv.PolyData(bars.reshape(-1, 3), lines=cells.ravel())
        lines.cell_data["colour"] = arrays["bar_colours"][own]
        tube = lines.tube(radius=float(radius), n_sides=8, capping=True)
        plotter.add_mesh(tube, scalars="colour", rgb=True, lighting=False)
    everything = np.concatenate([corners.reshape(-1, 3), arrays["bars"].reshape(-1, 3), centre[None]])
    reach = float(np.linalg.norm(everything - centre, axis=1).max()) + 1.0
    camera = plotter.camera
    camera.parallel_projection = True
    camera.focal_point = tuple(centre)
    camera.position = tuple(centre + towards * 2 * reach)
    camera.up = tuple(up)
    camera.parallel_scale = height / 2 * float(arrays["metres_per_pixel"])
    camera.clipping_range = (reach * 0.5, reach * 3.5)
    plotter.render_window.SetMultiSamples(0)
    plotter.show(auto_close=False)
    camera.clipping_range = (reach * 0.5, reach * 3.5)
    plotter.render()
    image = np.asarray(plotter.screenshot(None, return_img=True))[..., :3]
    from vtkmodules.util.numpy_support import vtk_to_numpy
    from vtkmodules.vtkCommonCore import vtkFloatArray

    buffer = vtkFloatArray()
    plotter.render_window.GetZbufferData(0, 0, width - 1, height - 1, buffer)
    z = np.asarray(vtk_to_numpy(buffer))  # type: ignore[no-untyped-call]
    z = z.reshape(height, width)[::-1].astype(np.float64)
    distance = reach * 0.5 + z * reach * 3.0
    depth = np.where(z >= 1.0, -np.inf, 2 * reach - distance)
    plotter.close()
    np.savez(done, image=image.astype(np.uint8), depth=depth.astype(np.float32))


if __name__ == "__main__":
    _main(sys.argv[1], sys.argv[2])
