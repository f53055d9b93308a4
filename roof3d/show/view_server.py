"""The designer's viewer: a page on this machine alone, and a socket over which it changes a plan.

It listens on 127.0.0.1 only. The address carries a random token; requests for other hosts, sockets from
other origins and messages over ``LONGEST_MESSAGE`` bytes are refused; it writes no file but the plan.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import math
import os
import secrets
import socket
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from roof3d import taut
from roof3d.check.result import inspection
from roof3d.errors import InputError
from roof3d.plan import write_plan
from roof3d.records import Anchor, Plan, Roof
from roof3d.rules import rule_set_names
from roof3d.show.colours import SEQUENCE
from roof3d.show.page.data import page_data
from roof3d.show.page.write import bundled, content_policy, page_html
from roof3d.show.told import told
from roof3d.show.view_looks import FirstLooks
from roof3d.show.view_plan import LONGEST_M, History, changed, line_of, places_of, sources
from roof3d.show.view_quick import FirstPicture
from roof3d.show.view_wire import Wire
from roof3d.show.view_work import Worker
from roof3d.show.words import load_texts
from roof3d.units import System

HOST = "127.0.0.1"
LONGEST_MESSAGE = 64 * 1024
FIRST_LINE_M = 6.0
STEPS = len(SEQUENCE)
PROBLEM = '{"problem"'
SETTLE_S = 0.12  # a full check starts this long after the last change
LOOK_S = 0.04  # a first look waits this long for anchors beside the one that moves


class Viewer:
    """One plan on one roof, shown and changed in one browser."""

    def __init__(
        self, roof: Roof, model: Path, plan: Plan, out: Path, units: System = "m", language: str = "en"
    ) -> None:
        load_texts(language)  # a wrong one is refused before anything starts
        self.language = language
        if plan.line.length is None and plan.line.policy != "restraint":
            plan = replace(plan, line=replace(plan.line, length=FIRST_LINE_M))
        self.roof = roof
        self.out = out
        self.units = units
        self.token = secrets.token_urlsafe(24)
        self.port = 0
        self.history = History(plan, plan)
        self.worker = Worker(roof, model, plan)
        self._known = _digest(out)
        self._looks = FirstLooks(roof)
        self._thread = ThreadPoolExecutor(1)
        self._sockets: dict[Any, Wire] = {}
        self._wanted = asyncio.Event()
        self._version = 0
        self._last = (-1, "")  # version of the plan that was checked last, and what came of it
        self._wanted.set()  # the plan as it is given
        self._unseen = asyncio.Event()
        self._unseen.set()
        self._trial = plan  # the newest plan, dragged or set, that a first look is wanted of
        taut.prepare(roof)

    @property
    def address(self) -> str:
        """What to open in a browser."""
        return f"http://{HOST}:{self.port}/{self.token}/"

    def close(self) -> None:
        """Ends the checking process."""
        self.worker.close()
        self._thread.shutdown(wait=False, cancel_futures=True)

    # ------------------------------------------------------------------------------------- the page

    async def first(self) -> str:
        """The page with the plan as it is now; where its check still runs, with the building alone."""
        known, text = self._last
        ready = known == self._version and not text.startswith(PROBLEM)
        data: dict[str, Any] = json.loads(text) if ready else self._unchecked()
        longest = max([30.0, *(2 * (line_of(self.history.plan, name).length or 0.0) for name in self._names)])
        data["session"] = {
            "socket": f"ws://{HOST}:{self.port}/{self.token}/socket",
            "version": known if ready else -1,
            "rule_sets": list(dict.fromkeys([self.history.plan.rules, *rule_set_names()])),
            "longest_m": min(longest, LONGEST_M),
            "height_m": self.history.plan.candidates.height,
        }
        return page_html(data, f"ws://{HOST}:{self.port}")

    def _unchecked(self) -> dict[str, Any]:
        """Building and anchors, before anything is known of them."""
        plan = self.history.plan
        result = inspection(self.roof)
        result["plan"] = {"title": plan.title, "file": plan.file, "sha256": plan.sha256}
        result["anchors"] = [
            {
                "id": source.id,
                "points": places_of(source).tolist(),
                "line_length_m": line_of(plan, source.id).length,
                "policy": line_of(plan, source.id).policy,
            }
            for source in sources(plan)
        ]
        data = page_data(result, self.roof, units=self.units, language=self.language, explained=0)
        # nothing that could be read as a finding
        data |= {"unchecked": True, "summary": {"m": "", "ft": ""}}
        longest = max((line_of(plan, name).length or 0.0 for name in self._names), default=0.0)
        for layers in data["layers"].values():
            for layer in layers:
                if layer["id"] == "taut":
                    layer["step_m"] = max(layer["step_m"], math.ceil(2 * longest / STEPS) / 2)
        return data

    @property
    def _names(self) -> list[str]:
        plan = self.history.plan
        return ["", *(source.id for source in sources(plan))]

    async def _checked(self, plan: Plan) -> str:
        try:
            return await asyncio.wrap_future(self.worker.check(plan, self.units, self.language))
        except (EOFError, OSError):
            return json.dumps({"problem": "the checking process has ended; save the plan and start again"})

    async def run_checks(self) -> None:
        """Checks the plan whenever it has changed and rested for a moment; the newest counts."""
        while True:
            await self._wanted.wait()
            await asyncio.sleep(SETTLE_S)
            self._wanted.clear()
            version, plan = self._version, self.history.plan
            text = await self._checked(plan)
            if version != self._version:
                continue
            self._last = (version, text)
            if not text.startswith(PROBLEM):
                await asyncio.to_thread(self._looks.take, plan, text)
            await self._tell(self._outcome())

    async def run_looks(self) -> None:
        """Takes first looks at all anchors of the newest plan, one by one, so that they can be shown."""
        while True:
            await self._unseen.wait()
            self._unseen.clear()
            plan, version = self._trial, self._version
            loop = asyncio.get_running_loop()
            for source in sources(plan):
                if self._unseen.is_set():
                    break
                with contextlib.suppress(InputError):  # the check says it
                    await loop.run_in_executor(self._thread, self._looks.look, plan, source.id)
            else:
                if self._last[0] == version and plan == self.history.plan:
                    continue
                found = await loop.run_in_executor(self._thread, self._looks.picture, plan, "", 0.0)
                if found is not None and version == self._version and not self._unseen.is_set():
                    for one in list(self._sockets):
                        with contextlib.suppress(RuntimeError, OSError):
                            await self._show(one, {"number": 0, "id": "", "alone": False}, found[0])

    def _outcome(self) -> str:
        """The last check as a message."""
        version, text = self._last
        if text.startswith(PROBLEM):
            return self._problem(json.loads(text)["problem"])
        return f'{{"type":"result","version":{version},"data":{text}}}'

    def _problem(self, text: str) -> str:
        return json.dumps({"type": "problem", "text": told(text, self.units)})

    async def _show(self, one: Any, head: dict[str, Any], picture: FirstPicture) -> None:
        """Sends a first look to one page."""
        wire = self._sockets.get(one)
        if wire is not None:  # else it has gone meanwhile
            await one.send_bytes(wire.pack({"version": self._version, **head}, picture))

    async def _tell(self, text: str) -> None:
        for one in list(self._sockets):
            with contextlib.suppress(RuntimeError, OSError):
                await one.send_text(text)

    async def tell_state(self) -> None:
        """Says what can be undone, what is not saved, and how the plan's lines are set."""
        plan = self.history.plan
        state = {
            "type": "state",
            "version": self._version,
            "undo": len(self.history.back),
            "redo": len(self.history.forth),
            "unsaved": self.history.unsaved or not self.out.exists(),
            "file": self.out.name,
            "rules": plan.rules,
            "anchors": [
                {
                    "id": source.id,
                    "kind": "point" if isinstance(source, Anchor) else "line",
                    "points": self.roof.to_local(places_of(source)).round(4).tolist(),
                }
                for source in sources(plan)
            ],
            "lines": {
                name: {"length_m": line_of(plan, name).length, "policy": line_of(plan, name).policy}
                for name in self._names
            },
        }
        await self._tell(json.dumps(state))

    # -------------------------------------------------------------------------------------- messages

    async def attend(self, one: Any) -> None:
        """Serves one open socket until it closes."""
        self._sockets[one] = Wire()
        try:
            await self.tell_state()
            while True:
                text = await one.receive_text()
                try:
                    await self._answer(one, _message(text))
                except InputError as error:
                    await one.send_text(self._problem(str(error)))
        finally:
            del self._sockets[one]

    async def _answer(self, one: Any, message: dict[str, Any]) -> None:
        answers: dict[str, Callable[[Any, dict[str, Any]], Any]] = {
            "hello": self._hello,
            "change": self._change,
            "drag": self._drag,
            "undo": self._step,
            "redo": self._step,
            "save": self._save,
            "measure": self._measure,
            "explain": self._explain,
            "units": self._units,
        }
        kind = message.get("type")
        if kind not in answers:
            raise InputError("viewer", "type", repr(kind)[:80], ", ".join(answers))
        await answers[str(kind)](one, message)

    async def _hello(self, one: Any, message: dict[str, Any]) -> None:
        """A page says which version it shows; it may have missed the newest while it was opening."""
        if self._last[0] == self._version != message.get("version"):
            await one.send_text(self._outcome())

    async def _change(self, one: Any, message: dict[str, Any]) -> None:
        del one
        change = message.get("change")
        if not isinstance(change, dict):
            raise InputError("viewer", "change", type(change).__name__, "an object")
        plan = changed(self.history.plan, self._loaded(change))
        if change.get("do") in ("add_anchor", "add_line", "move"):
            _places(self.roof, plan)
        self.history.change(plan)
        await self._follow()

    async def _step(self, one: Any, message: dict[str, Any]) -> None:
        del one
        if self.history.undo() if message["type"] == "undo" else self.history.redo():
            await self._follow()

    async def _follow(self) -> None:
        self._version += 1
        self._wanted.set()
        self._want_looks(self.history.plan)
        await self.tell_state()

    def _want_looks(self, plan: Plan) -> None:
        self._trial = plan
        self._unseen.set()

    async def _drag(self, one: Any, message: dict[str, Any]) -> None:
        """A first look at an anchor where it is dragged to, or at a length that is being set."""
        name, number = str(message.get("id") or ""), message.get("number", 0)
        plan = self.history.plan
        if name not in self._names[1:]:
            raise InputError("viewer", "id", repr(name)[:80], "an anchor of the plan")
        if "at" in message:
            at = self.roof.to_loaded(_vector(message["at"])).tolist()
            plan = changed(plan, {"do": "move", "id": name, "point": message.get("point") or 0, "at": at})
        if not isinstance(number, int):
            raise InputError("viewer", "number", repr(number)[:80], "a number")
        if "metres" in message:
            plan = changed(
                plan, {"do": "length", "id": message.get("owner") or "", "metres": message["metres"]}
            )
        loop = asyncio.get_running_loop()
        start = time.perf_counter(), time.process_time()
        found = await loop.run_in_executor(self._thread, self._looks.picture, plan, name, LOOK_S)
        assert found is not None  # it has a name
        picture, alone = found
        head = {
            "number": number,
            "id": name,
            "alone": alone,
            "took_ms": round(1000 * (time.perf_counter() - start[0]), 2),
            "cpu_ms": round(1000 * (time.process_time() - start[1]), 2),
        }
        await self._show(one, head, picture)
        if alone:
            self._want_looks(plan)

    async def _save(self, one: Any, message: dict[str, Any]) -> None:
        del message
        if _digest(self.out) != self._known:
            raise InputError(
                str(self.out), "", "a file that was changed since it was read", "an unchanged file; not saved"
            )
        try:
            written = write_plan(self.history.plan, self.out)
        except (OSError, ValueError) as error:
            raise InputError(str(self.out), "", str(error), "a place that can be written") from error
        self._known = _digest(self.out)
        self.history.saved = self.history.plan
        await one.send_text(json.dumps({"type": "saved", "file": str(self.out), "sha256": written.sha256}))
        await self.tell_state()

    async def _measure(self, one: Any, message: dict[str, Any]) -> None:
        """The tight rope between two places on the roof; the places are lifted off it by a hair."""
        a, b = (_vector(message.get(key)) + np.array([0.0, 0.0, 0.002]) for key in ("a", "b"))
        lengths = taut.measure(taut.prepare(self.roof), a, b[None])
        upper = float(lengths.hi[0])
        await one.send_text(
            json.dumps({"type": "measured", "taut_m": round(upper, 4) if np.isfinite(upper) else None})
        )

    async def _explain(self, one: Any, message: dict[str, Any]) -> None:
        segment = message.get("segment")
        if not isinstance(segment, int):
            raise InputError("viewer", "segment", repr(segment)[:80], "a number")
        units: System = "ft" if message.get("units") == "ft" else "m"
        lines = await asyncio.wrap_future(self.worker.explain(segment, units))
        await one.send_text(f'{{"type":"explained","segment":{segment},"lines":{lines}}}')

    async def _units(self, one: Any, message: dict[str, Any]) -> None:
        del one
        self.units = "ft" if message.get("units") == "ft" else "m"

    def _loaded(self, change: dict[str, Any]) -> dict[str, Any]:
        """The change with its places turned from the local to the loaded frame."""
        made = dict(change)
        if "at" in made:
            made["at"] = self.roof.to_loaded(_vector(made["at"])).tolist()
        if isinstance(made.get("points"), list):
            made["points"] = [self.roof.to_loaded(_vector(point)).tolist() for point in made["points"]]
        return made


def application(viewer: Viewer) -> Any:
    """The web application of a viewer."""
    from starlette.applications import Starlette
    from starlette.requests import Request
    from starlette.responses import HTMLResponse, PlainTextResponse, Response
    from starlette.routing import Route, WebSocketRoute
    from starlette.websockets import WebSocket, WebSocketDisconnect

    def known(connection: Any) -> bool:
        hosts = {f"{HOST}:{viewer.port}", f"localhost:{viewer.port}"}
        given = str(connection.path_params.get("token", ""))
        return connection.headers.get("host") in hosts and secrets.compare_digest(
            given.encode("utf-8"), viewer.token.encode("utf-8")
        )

    async def page(request: Request) -> Response:
        if not known(request):
            return PlainTextResponse("not found", status_code=404)
        policy = content_policy(bundled("page.js"), bundled("page.css"), f"ws://{HOST}:{viewer.port}")
        headers = {
            "Content-Security-Policy": policy + "; frame-ancestors 'none'",
            "X-Content-Type-Options": "nosniff",
            "Referrer-Policy": "no-referrer",
            "Cache-Control": "no-store",
            "Cross-Origin-Opener-Policy": "same-origin",
            "Cross-Origin-Resource-Policy": "same-origin",
        }
        return HTMLResponse(await viewer.first(), headers=headers)

    async def connect(one: WebSocket) -> None:
        origins = {f"http://{HOST}:{viewer.port}", f"http://localhost:{viewer.port}"}
        if not known(one) or one.headers.get("origin") not in origins:
            await one.close(code=1008)
            return
        await one.accept()
        with contextlib.suppress(WebSocketDisconnect):
            await viewer.attend(one)

    @contextlib.asynccontextmanager
    async def lifespan(_: Starlette) -> Any:
        tasks = [asyncio.create_task(work) for work in (viewer.run_checks(), viewer.run_looks())]
        yield
        for task in tasks:
            task.cancel()
        viewer.close()

    return Starlette(
        routes=[Route("/{token}/", page), WebSocketRoute("/{token}/socket", connect)], lifespan=lifespan
    )


def serve(viewer: Viewer, port: int = 0, ready: Callable[[str], None] | None = None) -> None:
    """Serves the viewer until it is interrupted. ``ready`` is called with the address.

    Raises InputError where the port is taken or the packages of the extra ``web`` are missing.
    """
    try:
        import uvicorn
    except ImportError:
        raise InputError("", "roof3d view", "no uvicorn here", "pip install 'roof3d[web]'") from None
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((HOST, port))
        listening.listen(64)  # so that the address works as soon as it is told
    except OSError as error:
        raise InputError("", "--port", f"{port}: {error.strerror}", "a free port, or 0 for any") from None
    viewer.port = listening.getsockname()[1]
    config = uvicorn.Config(
        application(viewer),
        log_level="critical",
        access_log=False,
        ws="websockets-sansio",
        ws_max_size=LONGEST_MESSAGE,
        ws_per_message_deflate=False,  # nothing leaves this machine
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=1,
    )
    if ready is not None:
        ready(viewer.address)
    with contextlib.closing(listening):
        uvicorn.Server(config).run(sockets=[listening])


def saving_place(plan: Plan, model: Path, out: str | None) -> Path:
    """Where the viewer saves: ``out``, else the plan's own file, else a new file beside the model.

    Raises InputError where ``out`` is no plan file, or there already and not the plan's own.
    """
    if out is None:
        if plan.file:
            return Path(plan.file)
        place = model.with_name(model.stem + "-plan.toml")
    else:
        place = Path(out)
    if place.suffix.lower() != ".toml":
        raise InputError(str(place), "--out", "a name that does not end in .toml", "the name of a plan file")
    own = bool(plan.file) and place.exists() and place.samefile(plan.file)
    if place.exists() and not own:
        raise InputError(
            str(place), "--out", "a file that is there already", "a new file, or the plan itself"
        )
    return place


def portable(plan: Plan) -> Plan:
    """A plan without a file, its model named from the working folder, so that both can move together."""
    with contextlib.suppress(ValueError):  # another drive
        plan = replace(plan, model=replace(plan.model, file=os.path.relpath(plan.model.file)))
    return plan


def _message(text: str) -> dict[str, Any]:
    try:
        message = json.loads(text)
    except (json.JSONDecodeError, RecursionError):
        raise InputError("viewer", "message", "no JSON", "a JSON object") from None
    if not isinstance(message, dict):
        raise InputError("viewer", "message", type(message).__name__, "a JSON object")
    return message


def _vector(value: Any) -> Any:
    accepted = "three finite numbers"
    if (
        not isinstance(value, list)
        or len(value) != 3
        or not all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in value)
    ):
        raise InputError("viewer", "place", repr(value)[:80], accepted)
    vector = np.array(value, dtype=np.float64)
    if not np.isfinite(vector).all() or np.abs(vector).max() > 1e6:
        raise InputError("viewer", "place", repr(value)[:80], accepted)
    return vector


def _places(roof: Roof, plan: Plan) -> None:
    from roof3d.check.places import anchor_places

    anchor_places(roof, plan)


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
