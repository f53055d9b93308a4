"""The command line: a thin shell that reads arguments, calls the steps, writes what they return."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from roof3d import __version__
from roof3d.errors import InputError
from roof3d.progress import Progress

RESULT_FILE = "a result written by roof3d check --json"
OK, FINDINGS, UNUSABLE, BROKEN = 0, 1, 2, 3


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status (0 limits hold, 1 findings, 2 unusable input, 3 a fault)."""
    options = _parser().parse_args(arguments)
    run: Callable[[argparse.Namespace], int] = options.run
    try:
        _spare_inputs(options)
        return run(options)
    except InputError as error:
        print(f"roof3d: {error}", file=sys.stderr)
    except (FileNotFoundError, PermissionError, IsADirectoryError, NotADirectoryError) as error:
        print(f"roof3d: {error.filename}: {error.strerror}", file=sys.stderr)
    except MemoryError:
        print("roof3d: not enough memory for this input on this machine", file=sys.stderr)
    except KeyboardInterrupt:
        print("roof3d: stopped; nothing was written", file=sys.stderr)
        return 130
    except BrokenPipeError:
        sys.stderr.close()
        return UNUSABLE
    except Exception as error:
        if os.environ.get("ROOF3D_TRACE"):
            raise
        print(
            f"roof3d: an error of the program's own ({type(error).__name__}: {error}); no result can be "
            "relied on; set ROOF3D_TRACE=1 for the place and report it",
            file=sys.stderr,
        )
        return BROKEN
    return UNUSABLE


def _parser() -> argparse.ArgumentParser:
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument("--units", choices=("m", "ft"), default="m", help="units of what is shown")
    common.add_argument("--quiet", action="store_true", help="no table, no progress")
    common.add_argument("--json", metavar="FILE", help="write the result as JSON")
    model = argparse.ArgumentParser(add_help=False)
    model.add_argument("--unit", help="unit of the model file: m, cm, mm, ft, in")
    model.add_argument("--up", help="axis that points up in the model file: z, y")
    model.add_argument("--grade", help="height of the ground where the model has none, e.g. 0 m")
    words = argparse.ArgumentParser(add_help=False)
    words.add_argument(
        "--language",
        default="en",
        metavar="NAME-or-FILE",
        help="language of what is shown: en, de, or a file",
    )
    parser = argparse.ArgumentParser(
        prog="roof3d",
        description="Checks rope fall protection on 3D roof models. It supports a competent person; "
        "it does not replace one.",
        epilog="Exit status: 0 all limits hold, 1 findings, 2 the input cannot be used.",
    )
    parser.add_argument("--version", action="version", version=f"roof3d {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    def command(name: str, text: str, run: Callable[[argparse.Namespace], int], *parents: Any) -> Any:
        made = commands.add_parser(name, help=text, description=text, parents=[common, *parents])
        made.set_defaults(run=run)
        return made

    one = command("inspect", "planes, edges, repairs and assumptions of a model", _inspect, model, words)
    one.add_argument("model", metavar="MODEL")
    one = command("check", "states of all edges, loads, and work that no anchor serves", _check, model, words)
    one.add_argument("plan", metavar="PLAN-or-MODEL")
    one.add_argument(
        "--anchor", action="append", default=[], metavar="X,Y,Z", help="with a MODEL; repeatable"
    )
    one.add_argument("--line", metavar="LENGTH", help="with a MODEL: anchor to D-ring, e.g. 6m")
    one.add_argument("--rules", metavar="NAME-or-FILE", help="with a MODEL: rule set")
    one = command("place", "fewest anchors, or least cost, that serve the work", _place)
    one.add_argument("plan", metavar="PLAN")
    one.add_argument("--out", metavar="FILE", help="plan to write (default: PLAN with -placed)")
    one.add_argument(
        "--kind",
        choices=("points", "lines", "mixed", "restraint"),
        help="default: as the plan's candidates and policy ask for",
    )
    one.add_argument("--cost", action="store_true", help="least cost by the plan's prices, not fewest")
    one.add_argument("--tied", action="store_true", help="neighbouring areas overlap: always tied on")
    one.add_argument("--compare", action="store_true", help="all kinds side by side")
    one.add_argument("--pictures", metavar="FOLDER", help="one picture of each choice")
    one.add_argument("--seconds", type=float, help="stop with the best so far; Ctrl-C does the same")
    one.add_argument("--effort", type=float, help="limit on solving that repeats exactly (usual: 80)")
    one.add_argument(
        "--solver", choices=("highs", "cp-sat"), default="highs", help="cp-sat: stronger, an extra (solve)"
    )
    one = command("takeoff", "bill of quantities of a result", _takeoff)
    one.add_argument("result", metavar="RESULT")
    one.add_argument("--out", metavar="FILE", help="table to write: .csv or .xlsx")
    one = command("picture", "heat map of exposure as PNG, or the coloured model as GLB", _picture, words)
    one.add_argument("result", metavar="RESULT")
    one.add_argument("--out", metavar="FILE", help="default: RESULT with .png")
    one.add_argument("--view", choices=("sheet", "views", "plan", "oblique"), default="sheet")
    one.add_argument("--set", metavar="FOLDER", help="all views as PNG files in a folder")
    one.add_argument("--size", metavar="WxH", default="", help="pixels")
    one = command("drawing", "plan drawing to scale, SVG or DXF", _drawing, words)
    one.add_argument("result", metavar="RESULT")
    one.add_argument("--out", metavar="FILE", help="default: RESULT with .svg")
    one.add_argument("--paper", default="A3")
    one.add_argument("--scale", type=float, help="1 : SCALE (default: greatest that fits)")
    one = command("report", "report with formulas, sources and assumptions, PDF or HTML", _report, words)
    one.add_argument("result", metavar="RESULT")
    one.add_argument("--out", metavar="FILE", help="default: RESULT with .pdf")
    one.add_argument("--paper", choices=("a4", "letter"))
    one = command("page", "one HTML file to turn, click and read, offline", _page, words)
    one.add_argument("result", metavar="RESULT")
    one.add_argument("--out", metavar="FILE", help="default: RESULT with .html")
    text = "set and move anchors on the model in a browser on this machine"
    one = command("view", text, _view, model, words)
    one.add_argument("plan", metavar="PLAN-or-MODEL")
    one.add_argument("--line", metavar="LENGTH", help="with a MODEL: anchor to D-ring, e.g. 6m")
    one.add_argument("--rules", metavar="NAME-or-FILE", help="with a MODEL: rule set")
    one.add_argument(
        "--out", metavar="FILE", help="plan to save (default: PLAN; with a MODEL: MODEL-plan.toml)"
    )
    one.add_argument("--port", type=int, default=0, help="default: any that is free")
    one.add_argument("--open", action="store_true", help="open the browser")
    one = command("explain", "unfold one figure: words, symbols, numbers, formula, source", _explain)
    one.add_argument("result", metavar="RESULT")
    one.add_argument("place", metavar="PLACE", nargs="?", help="leave out for the list of places")
    one = command("batch", "check every plan of a folder", _batch)
    one.add_argument("folder", metavar="FOLDER")
    one.add_argument("--out", metavar="FOLDER", help="folder for results (default: FOLDER/results)")
    one.add_argument("--jobs", type=int, default=2, help="plans checked side by side")
    return parser


# ----------------------------------------------------------------------------------------- commands


def _inspect(options: argparse.Namespace) -> int:
    from roof3d.building import build
    from roof3d.check.result import inspection
    from roof3d.plan import plan_from_options
    from roof3d.show.table import inspect_table
    from roof3d.show.words import load_texts

    texts = load_texts(options.language)
    plan = plan_from_options(options.model, unit=options.unit, up=options.up, grade=options.grade)
    with Progress("reading the model", options.quiet):
        roof = build(options.model, unit=plan.model.unit, up=plan.model.up, grade=plan.model.grade)
    result = inspection(roof)
    _write_json(options.json, result)
    _show(options, inspect_table(result, options.units, texts))
    return OK


def _check(options: argparse.Namespace) -> int:
    from roof3d.check.run import check
    from roof3d.show.table import check_table
    from roof3d.show.words import load_texts

    texts = load_texts(options.language)
    plan, file = _plan(options)
    _spare_inputs(options, file)
    with Progress("reading the model", options.quiet) as progress:
        roof = _roof(plan, file)
        found = check(roof, plan, progress.step)
        result = found.to_json()
    _write_json(options.json, result)
    _show(options, check_table(result, options.units, texts))
    return found.exit_status


def _place(options: argparse.Namespace) -> int:
    from roof3d.show.placing import run_place

    plan, file = _plan(options)
    _spare_inputs(options, file)
    with Progress("reading the model", options.quiet) as progress:
        roof = _roof(plan, file)
        text, result, status = run_place(roof, plan, options, progress.step)
    _write_json(options.json, result)
    _show(options, text)
    return int(status)


def _takeoff(options: argparse.Namespace) -> int:
    from roof3d.show.placing import run_takeoff

    result = _read_result(options.result)
    _show(options, run_takeoff(result, _result_roof(options, result), options))
    return OK


def _picture(options: argparse.Namespace) -> int:
    from roof3d.show.glb import write_glb
    from roof3d.show.picture import SIZE, draw_picture, draw_set

    result = _read_result(options.result)
    if options.set and (options.out or options.view != "sheet"):
        raise InputError("", "--set", "--out or --view beside it", "--set alone: it writes every view")
    out = _out(options, ".png")
    size = SIZE
    if options.size:
        try:
            width, height = (int(part) for part in options.size.lower().split("x"))
        except ValueError:
            raise InputError("", "--size", repr(options.size), "WIDTHxHEIGHT in pixels") from None
        size = (width, height)
    with Progress("drawing", options.quiet):
        roof = _result_roof(options, result)
        if options.set:
            files, lacking = draw_set(
                result, roof, options.set, size=size, units=options.units, language=options.language
            )
            out = Path(options.set) / ", ".join(file.name for file in files)
        elif out.suffix.lower() == ".glb":
            write_glb(result, roof, out, units=options.units)
            lacking = ""
        else:
            lacking = draw_picture(
                result,
                roof,
                out,
                size=size,
                units=options.units,
                view=options.view,
                language=options.language,
            )
    return _wrote(options, out, lacking)


def _drawing(options: argparse.Namespace) -> int:
    from roof3d.show.drawing import draw_plan

    result = _read_result(options.result)
    out = _out(options, ".svg")
    roof = _result_roof(options, result)
    draw_plan(
        result,
        roof,
        out,
        units=options.units,
        paper=options.paper,
        scale=options.scale,
        language=options.language,
    )
    return _wrote(options, out)


def _report(options: argparse.Namespace) -> int:
    from roof3d.show.report import write_report

    result = _read_result(options.result)
    out = _out(options, ".pdf")
    with Progress("writing the report", options.quiet):
        roof = _result_roof(options, result)
        lacking = write_report(
            result, roof, out, units=options.units, paper=options.paper, language=options.language
        )
    return _wrote(options, out, lacking)


def _page(options: argparse.Namespace) -> int:
    from roof3d.show.page import write_page

    result = _read_result(options.result)
    out = _out(options, ".html")
    with Progress("writing the page", options.quiet):
        roof = _result_roof(options, result)
        write_page(result, roof, out, units=options.units, language=options.language)
    return _wrote(options, out)


def _view(options: argparse.Namespace) -> int:
    from roof3d.plan import plan_from_options
    from roof3d.show.view_server import Viewer, portable, saving_place, serve

    if Path(options.plan).suffix.lower() == ".toml":
        plan, file = _plan(options)
    else:
        choice = (options.unit, options.up, options.grade)
        plan = plan_from_options(options.plan, (), options.line, options.rules or "us-construction", *choice)
        plan = portable(plan)
        file = Path(options.plan)
    out = saving_place(plan, file, options.out)
    with Progress("reading the model", options.quiet):
        roof = _roof(plan, file)
        viewer = Viewer(roof, file, plan, out, options.units, options.language)

    def ready(address: str) -> None:
        print(f"{address}  (saves to {out}; Ctrl-C ends)", flush=True)
        if options.open:
            import webbrowser

            webbrowser.open(address)

    try:
        serve(viewer, options.port, ready)
    except KeyboardInterrupt:
        pass
    finally:
        viewer.close()
    return OK


def _explain(options: argparse.Namespace) -> int:
    from roof3d.explain import accepted_places, explain

    result = _read_result(options.result)
    if options.place is None:
        print(f"places: {accepted_places(result)}")
    else:
        print("\n".join(explain(result, options.place, units=options.units)))
    return OK


def _batch(options: argparse.Namespace) -> int:
    from roof3d.batch import run_batch

    out = Path(options.out) if options.out else Path(options.folder) / "results"
    text, status = run_batch(Path(options.folder), out, options.jobs, options.units, options.quiet)
    _show(options, text)
    return status


# ------------------------------------------------------------------------------------------ helpers


def _spare_inputs(options: argparse.Namespace, *more: Path) -> None:
    """Refuses to write over what is read, or over a folder; a plan may be written anew."""
    read = [Path(getattr(options, name)) for name in ("model", "plan", "result") if hasattr(options, name)]
    for name in ("json", "out"):
        given = getattr(options, name, None)
        if not given:
            continue
        path = Path(given)
        if path.is_dir() and not (name == "out" and hasattr(options, "folder")):
            raise InputError(given, f"--{name}", "a folder", "a file to write")
        plan_again = name == "out" and hasattr(options, "plan") and path.suffix.lower() == ".toml"
        for other in more if plan_again else (*read, *more):
            if path.exists() and other.exists() and path.samefile(other):
                raise InputError(given, f"--{name}", "a file that is read", "another file to write")


def _plan(options: argparse.Namespace) -> tuple[Any, Path]:
    """The plan, and the model file it speaks of."""
    from roof3d.plan import model_path, plan_from_options, read_plan

    if Path(options.plan).suffix.lower() == ".toml":
        given = [
            name
            for name in ("anchor", "line", "rules", "unit", "up", "grade")
            if getattr(options, name, None)
        ]
        if given:
            raise InputError(
                options.plan, f"--{given[0]}", "an option for models beside a plan file", "a key of the plan"
            )
        plan = read_plan(options.plan)
        return plan, model_path(plan)
    if not hasattr(options, "anchor"):
        raise InputError(options.plan, "", "a file that does not end in .toml", "a plan file")
    if options.line is None:
        raise InputError("", "--line", "nothing", "the length from anchor to D-ring, such as 6m")
    if not options.anchor:
        raise InputError("", "--anchor", "nothing", "at least one place X,Y,Z in the model's coordinates")
    plan = plan_from_options(
        options.plan,
        options.anchor,
        options.line,
        options.rules or "us-construction",
        options.unit,
        options.up,
        options.grade,
    )
    return plan, Path(options.plan)


def _roof(plan: Any, file: Path) -> Any:
    from roof3d.building import build

    return build(file, unit=plan.model.unit, up=plan.model.up, grade=plan.model.grade)


def _read_result(path: str) -> dict[str, Any]:
    """A result file, refused in one line where it is none."""
    accepted = RESULT_FILE
    try:
        data = json.loads(Path(path).read_bytes())
    except (UnicodeDecodeError, json.JSONDecodeError) as error:
        raise InputError(path, f"line {getattr(error, 'lineno', 1)}", "no JSON", accepted) from None
    except RecursionError:
        raise InputError(path, "", "JSON nested too deeply", accepted) from None
    if not isinstance(data, dict) or data.get("schema") != "roof3d-result/1":
        found = data.get("schema") if isinstance(data, dict) else type(data).__name__
        raise InputError(path, "schema", repr(found), f"'roof3d-result/1', {accepted}")
    return data


def _result_roof(options: argparse.Namespace, result: dict[str, Any]) -> Any:
    """The roof behind a result, if its model is still there unchanged; else None, said aloud."""
    import hashlib

    from roof3d.building import build
    from roof3d.show.shape import check_shape

    check_shape(result, options.result)
    model = result.get("model") or {}
    for key in ("file", "sha256", "unit", "up"):
        if not model.get(key):
            raise InputError(options.result, f"model {key}", "nothing", RESULT_FILE)
    for key in ("planes", "edges", "anchors", "edge_segments", "exposure", "work", "findings", "summary"):
        if result.get(key) is None:
            raise InputError(options.result, key, "nothing", RESULT_FILE)
    named = Path(model["file"])
    for path in (named, Path(options.result).parent / named, Path(options.result).parent / named.name):
        if path.is_file():
            if hashlib.sha256(path.read_bytes()).hexdigest() != model["sha256"]:
                print(f"roof3d: {path} has changed since the check: drawn without walls", file=sys.stderr)
                return None
            grade = model.get("grade_m") if model.get("grade_source") == "plan" else None
            return build(path, unit=model["unit"], up=model["up"], grade=grade)
    print(f"roof3d: {named} not found: drawn without walls", file=sys.stderr)
    return None


def _out(options: argparse.Namespace, suffix: str) -> Path:
    return Path(options.out) if options.out else Path(options.result).with_suffix(suffix)


def _write_json(path: str | None, result: dict[str, Any]) -> None:
    from roof3d.tomlfile import replace_file

    if path:
        text = json.dumps(result, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
        Path(path).parent.mkdir(parents=True, exist_ok=True)
        replace_file(Path(path), text)


def _show(options: argparse.Namespace, text: str) -> None:
    if not options.quiet:
        print(text.rstrip())


def _wrote(options: argparse.Namespace, out: Path, lacking: str = "") -> int:
    if lacking:
        print(f"roof3d: {lacking}", file=sys.stderr)
    if not options.quiet:
        print(f"wrote {out}")
    return OK


if __name__ == "__main__":
    sys.exit(main())
