"""The designer's viewer: changes of a plan, first looks, the server's doors, and a browser at work."""

from __future__ import annotations

import asyncio
import base64
import contextlib
import http.client
import json
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from roof3d.building import build
from roof3d.check import Result, check
from roof3d.check.result import plain as as_plain
from roof3d.errors import InputError
from roof3d.plan import model_path, read_plan
from roof3d.records import STATES, Plan, Roof
from roof3d.show.page.data import page_data
from roof3d.show.view_looks import FirstLooks
from roof3d.show.view_plan import History, changed, line_of
from roof3d.show.view_quick import FirstPicture, QuickLook
from roof3d.show.view_server import LONGEST_MESSAGE, Viewer, saving_place
from roof3d.show.view_wire import Wire
from roof3d.show.words import load_texts
from tests.browser import browser_page, needs_browser
from tests.conftest import MODELS, PROJECT

websockets = pytest.importorskip("websockets")
pytest.importorskip("starlette")
pytest.importorskip("uvicorn")


VIEW = (sys.executable, "-m", "roof3d.cli", "view")


@pytest.fixture(scope="module")
def plan() -> Plan:
    return read_plan(MODELS / "gable.toml")


@pytest.fixture(scope="module")
def roof(plan: Plan) -> Roof:
    return build(model_path(plan), grade=plan.model.grade)


# ------------------------------------------------------------------------------------------- changes


def test_each_change_changes_what_it_says(plan: Plan) -> None:
    made = changed(plan, {"do": "add_anchor", "at": [1.0, 2.0, 4.2]})
    assert made.anchors[-1].id == "A3"
    assert made.anchors[-1].at == (1.0, 2.0, 4.2)
    made = changed(made, {"do": "move", "id": "A3", "at": [1.5, 2.0, 4.20049]})
    assert made.anchors[-1].at == (1.5, 2.0, 4.2)
    made = changed(made, {"do": "add_line", "points": [[0, 4, 5.3], [6, 4, 5.3], [12, 4, 5.3]]})
    assert made.anchor_lines[0].id == "H1"
    made = changed(made, {"do": "move", "id": "H1", "point": 1, "at": [5, 4, 5.4]})
    assert made.anchor_lines[0].points[1] == (5.0, 4.0, 5.4)
    made = changed(made, {"do": "length", "id": "A1", "metres": 5.5})
    assert line_of(made, "A1").length == 5.5
    assert line_of(made, "A2").length == plan.line.length
    assert changed(made, {"do": "length", "id": "A1", "metres": plan.line.length}).anchors[0].line is None
    made = changed(made, {"do": "policy", "id": "", "policy": "restraint"})
    assert made.line.policy == "restraint"
    made = changed(made, {"do": "rules", "name": "eu-363"})
    assert made.rules == "eu-363"
    made = changed(made, {"do": "remove", "id": "A2"})
    assert [a.id for a in made.anchors] == ["A1", "A3"]
    assert changed(made, {"do": "add_anchor", "at": [1, 2, 4]}).anchors[-1].id == "A2"


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"do": "fly"},
        {"do": ["move"]},
        {"do": "move", "id": "A9", "at": [0, 0, 0]},
        {"do": "move", "id": "A1", "at": [0, 0]},
        {"do": "move", "id": "A1", "at": [0, 0, float("nan")]},
        {"do": "move", "id": "A1", "at": [0, 0, 1e300]},
        {"do": "move", "id": "A1", "at": "0,0,0"},
        {"do": "add_line", "points": [[0, 0, 0]]},
        {"do": "add_line", "points": [[0, 0, 9], [0, 0, 9]]},
        {"do": "length", "id": "A1", "metres": 0},
        {"do": "length", "id": "A1", "metres": True},
        {"do": "length", "id": "A1", "metres": 1e9},
        {"do": "policy", "id": "", "policy": "loose"},
        {"do": "rules", "name": "nowhere"},
        {"do": "rules", "name": "../../secrets.toml"},
    ],
)
def test_changes_that_make_no_sense_are_refused_in_one_line(plan: Plan, change: dict[str, Any]) -> None:
    with pytest.raises(InputError) as caught:
        changed(plan, change)
    assert "\n" not in str(caught.value)


def test_history_goes_back_and_forth(plan: Plan) -> None:
    history = History(plan, plan)
    one = changed(plan, {"do": "add_anchor", "at": [1, 2, 4]})
    two = changed(one, {"do": "remove", "id": "A1"})
    history.change(one)
    history.change(one)  # no change is no step
    history.change(two)
    assert history.unsaved
    assert history.undo() and history.plan == one
    assert history.undo() and history.plan == plan and not history.unsaved
    assert not history.undo()
    assert history.redo() and history.redo() and history.plan == two
    assert not history.redo()
    history.undo()
    history.change(plan)
    assert not history.redo(), "what was taken back is gone after another change"


# ----------------------------------------------------------------------------------------- first look


def worst_at(segments: list[dict[str, Any]], edge: str, place: float) -> int:
    ranks = [
        STATES.index("beyond" if s["state"] == "guarded" else s["state"])
        for s in segments
        if s["edge"] == edge and s["from_m"] - 1e-6 <= place <= s["to_m"] + 1e-6
    ]
    return min(ranks)


def never_better(shown: list[dict[str, Any]], full: Result) -> None:
    """No stretch of a first look is in a better state than any segment of the check there."""
    for segment in full.segments:
        # not at its very ends, which the millimetres of the first look may give to a neighbour
        for share in (0.25, 0.5, 0.75):
            place = segment.from_m + share * (segment.to_m - segment.from_m)
            if segment.to_m - segment.from_m > 0.02:
                assert worst_at(shown, segment.edge, place) <= STATES.index(segment.state), segment


def shown_as_served(found: FirstPicture, full: Result) -> int:
    """How many cells of the check lie in what a first look calls served; a line reaches all of them.

    Not that the check calls them served: it must prove each as a whole, and so must the look.
    """
    lengths = np.array([anchor.line_length_m for anchor in full.anchors])
    reached = (full.cells.taut <= lengths + 1e-6).any(axis=1)
    cells, served = found.cells, found.served
    x, y, size = (np.frombuffer(base64.b64decode(cells[k]), "<u2").astype(float) for k in ("x", "y", "size"))
    names = np.array(full.cells.planes)[full.cells.plane]
    checked = 0
    for entry in found.planes:
        grid = entry["grid"]
        for k in range(grid["first"], grid["first"] + grid["count"]) if grid else ():
            if not served[k]:
                continue
            low = np.array([grid["x"] + x[k] * grid["unit"], grid["y"] + y[k] * grid["unit"]])
            high = low + size[k] * grid["unit"]
            here = (full.cells.at[:, :2] >= low).all(axis=1) & (full.cells.at[:, :2] <= high).all(axis=1)
            here &= names == entry["id"]
            checked += int(here.sum())
            assert reached[here].all()
    return checked


@pytest.mark.parametrize("at", [(3.0, 4.0, 5.3), (5.1, 3.2, 4.9), (11.7, 1.5, 4.05)])
@pytest.mark.parametrize("length", [2.5, 4.2, 7.0])
def test_first_look_is_never_better_than_the_check(
    plan: Plan, roof: Roof, at: tuple[float, float, float], length: float
) -> None:
    anchor = replace(plan.anchors[0], at=at)
    one = replace(plan, anchors=(anchor,), line=replace(plan.line, length=length))
    quick = QuickLook(roof)
    found = quick.picture(one, [quick.look(one, "A1")])
    full = check(roof, one)
    never_better(found.stretches, full)
    assert shown_as_served(found, full) > 20
    assert found.served_m2 <= full.served_m2 + 1e-6


@pytest.mark.parametrize("policy", ["fixed", "snug", "restraint"])
@pytest.mark.parametrize("model", ["mono-pitch", "dormers"])
def test_first_look_at_anchor_lines_and_other_policies(model: str, policy: str) -> None:
    given = read_plan(MODELS / f"{model}.toml")
    given = changed(given, {"do": "policy", "id": "", "policy": policy})
    lines = tuple(replace(a, line=None) for a in given.anchor_lines)
    given = replace(given, anchor_lines=lines, anchors=tuple(replace(a, line=None) for a in given.anchors))
    house = build(model_path(given), unit=given.model.unit, up=given.model.up, grade=given.model.grade)
    quick = QuickLook(house)
    looks = [quick.look(given, a.id) for a in (*given.anchors, *given.anchor_lines)]
    found = quick.picture(given, looks)
    full = check(house, given)
    assert full.anchors[-1].kind == "line"
    never_better(found.stretches, full)
    shown_as_served(found, full)


def test_a_picture_of_all_anchors_is_the_worst_of_each(plan: Plan, roof: Roof) -> None:
    """Anchors that have not changed keep the figures of their check; the picture is never better."""
    moved = changed(plan, {"do": "move", "id": "A1", "at": [8.0, 4.0, 5.3]})
    looks = FirstLooks(roof)

    def picture(of: Plan, name: str) -> tuple[FirstPicture, bool]:
        found = looks.picture(of, name, 0.0)
        assert found is not None
        return found

    assert picture(moved, "A1")[1], "nothing is known of A2 yet"
    assert looks.picture(moved, "", 0.0) is None
    before = check(roof, plan)
    looks.take(plan, json.dumps(page_data(json.loads(json.dumps(before.to_json())), roof, explained=0)))
    found, alone = picture(moved, "A1")
    assert not alone
    full = check(roof, moved)
    never_better(found.stretches, full)
    shown_as_served(found, full)
    assert {s["anchor"] for s in found.stretches} >= {"A1", "A2"}
    # what a check said of an anchor counts for that place alone
    both = changed(moved, {"do": "move", "id": "A2", "at": [10.0, 4.0, 5.3]})
    assert picture(both, "A1")[1]
    looks.look(both, "A2")
    whole, alone = picture(both, "A1")
    assert not alone
    never_better(whole.stretches, check(roof, both))
    longer = changed(plan, {"do": "length", "id": "", "metres": 6.0})
    assert picture(longer, "A2")[1], "another line length makes all that is known void"


def received(message: bytes) -> tuple[dict[str, Any], bytes]:
    """Head and cells of a first look as a page reads them."""
    size = int.from_bytes(message[:4], "little")
    assert size % 4 == 0
    return json.loads(message[4 : 4 + size]), message[4 + size :]


def test_only_what_changed_is_sent_and_together_it_is_the_picture(plan: Plan, roof: Roof) -> None:
    """A page that keeps what it was sent has every picture whole; one far edge costs nothing."""
    looks = FirstLooks(roof)
    for source in plan.anchors:
        looks.look(plan, source.id)
    wire = Wire()
    kept: dict[str, Any] = {}
    sizes = []
    for x in (3.0, 3.05, 3.1, 3.1, 8.0, 3.0):
        moved = changed(plan, {"do": "move", "id": "A1", "at": [x, 4.0, 5.3]})
        found = looks.picture(moved, "A1", 10.0)
        assert found is not None and not found[1]
        head, cells = received(wire.pack({"number": 1}, found[0]))
        sizes.append(len(head["edges"]))
        assert ("cells" in head) == (not kept), "rasters go once"
        kept |= head["edges"]
        fresh = QuickLook(roof)
        whole = fresh.picture(moved, [fresh.look(moved, a.id) for a in moved.anchors])
        pieces = [piece for edge in whole.edges for piece in kept[edge]]
        assert pieces == json.loads(json.dumps(whole.stretches))
        assert head["numbers"] == whole.numbers and len(head["numbers"]) == len(pieces)
        assert cells == whole.taut.tobytes() + whole.served.tobytes()
        assert head["served_m2"] == whole.served_m2
    assert sizes[3] == 0, "the same picture again is nothing new"
    assert sizes[0] == len(kept) and 0 < sizes[1] < sizes[0]
    # a line that grows draws other things in the same cells
    longer = changed(plan, {"do": "length", "id": "", "metres": 6.0})
    found = looks.picture(longer, "A1", 10.0)
    assert found is not None
    head, _ = received(wire.pack({"number": 2}, found[0]))
    assert "cells" not in head and head["edges"]
    assert "cells" in received(Wire().pack({"number": 3}, found[0]))[0], "another page has nothing yet"


def test_first_look_follows_the_anchor(plan: Plan, roof: Roof) -> None:
    quick = QuickLook(roof)
    first = quick.look(plan, "A1")
    assert quick.look(plan, "A1") is first and quick.known(plan, "A1") is first
    there = changed(plan, {"do": "move", "id": "A1", "at": [8.0, 4.0, 5.3]})
    assert quick.known(there, "A1") is None
    second = quick.look(there, "A1")
    assert (first.taut != second.taut).any()
    assert first.told.keys != second.told.keys
    with pytest.raises(InputError, match="inside the building"):
        quick.look(changed(plan, {"do": "move", "id": "A1", "at": [6.0, 4.0, 2.0]}), "A1")
    with pytest.raises(InputError, match="A9"):
        quick.look(plan, "A9")


EDITS: list[dict[str, Any]] = [
    {"do": "move", "id": "A1", "at": [4.0, 4.0, 5.3]},
    {"do": "add_anchor", "at": [10.0, 1.5, 4.2]},
    {"do": "length", "id": "A2", "metres": 5.0},
    {"do": "add_line", "points": [[2.0, 4.0, 5.3], [10.0, 4.0, 5.3]]},
    {"do": "length", "id": "", "metres": 3.6},
    {"do": "remove", "id": "A2"},
    {"do": "rules", "name": "eu-363"},
    {"do": "policy", "id": "", "policy": "restraint"},
]


@pytest.mark.parametrize("seed", range(4))
def test_what_a_check_remembers_changes_nothing(plan: Plan, seed: int) -> None:
    """The result with a memory is that without, whatever was changed before, undone and redone."""

    def fresh() -> Roof:
        return build(model_path(plan), grade=plan.model.grade)

    rng = np.random.default_rng(seed)
    house, memory = fresh(), {}
    history = History(plan, plan)
    told = []
    for edit in (EDITS[k] for k in rng.permutation(len(EDITS))[:4]):
        with contextlib.suppress(InputError):  # an anchor that is gone
            history.change(changed(history.plan, edit))
        if rng.random() < 0.3:
            history.undo()
        told.append((history.plan, check(house, history.plan, memory=memory).to_json()))
    history.undo()
    told.append((history.plan, check(house, history.plan, memory=memory).to_json()))
    for one, result in told:
        assert as_plain(result) == as_plain(check(fresh(), one).to_json())


def test_where_it_saves(plan: Plan, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text("x")
    with_file = replace(plan, file=str(own))
    without = replace(plan, file="")
    assert saving_place(with_file, tmp_path / "m.obj", None) == own
    assert saving_place(with_file, tmp_path / "m.obj", str(own)) == own
    assert saving_place(without, tmp_path / "m.obj", None) == tmp_path / "m-plan.toml"
    with pytest.raises(InputError, match="already"):
        saving_place(without, tmp_path / "m.obj", str(own))
    with pytest.raises(InputError, match="toml"):
        saving_place(without, tmp_path / "m.obj", str(tmp_path / "m.txt"))


# ----------------------------------------------------------------------------------------- the server


class Server:
    """A viewer in a process of its own, as users start it."""

    def __init__(self, folder: Path, *words: str) -> None:
        self.process = subprocess.Popen(
            [*VIEW, *words, "--quiet"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=PROJECT,
        )
        self.folder = folder
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        found = re.match(r"http://127\.0\.0\.1:(\d+)/([\w-]+)/", line)
        if not found:
            self.process.kill()
            raise AssertionError(line + str(self.process.communicate()))
        self.address = found.group(0)
        self.port, self.token = int(found.group(1)), found.group(2)
        self.origin = f"http://127.0.0.1:{self.port}"
        self.socket = f"ws://127.0.0.1:{self.port}/{self.token}/socket"

    def get(self, path: str, **headers: str) -> http.client.HTTPResponse:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        connection.request("GET", path, headers=headers)
        return connection.getresponse()

    def stop(self) -> None:
        if self.process.poll() is None:
            self.process.terminate()
        try:
            self.process.communicate(timeout=20)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.communicate()


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    folder = tmp_path_factory.mktemp("view")
    for name in ("gable.toml", "gable.glb"):
        shutil.copy(MODELS / name, folder / name)
    started = Server(folder, str(folder / "gable.toml"))
    yield started
    started.stop()


def test_only_who_knows_the_address_gets_in(server: Server) -> None:
    assert len(server.token) >= 32
    assert server.get(f"/{server.token}/").status == 200
    for path in ("/", "/wrong/", f"/{server.token}x/", f"/{server.token}/../", "/etc/passwd"):
        assert server.get(path).status in (404, 307), path
    # a name that somebody else's server could have turned to this machine
    assert server.get(f"/{server.token}/", Host="evil.example").status == 404
    assert server.get(f"/{server.token}/", Host=f"evil.example:{server.port}").status == 404


def test_the_page_carries_its_policy_in_the_head_too(server: Server) -> None:
    answer = server.get(f"/{server.token}/")
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy
    assert f"connect-src ws://127.0.0.1:{server.port}" in policy
    assert answer.headers["Cache-Control"] == "no-store"
    assert answer.headers["Referrer-Policy"] == "no-referrer"
    assert "access-control-allow-origin" not in answer.headers


def test_a_plan_that_is_not_checked_yet_shows_no_finding(plan: Plan, roof: Roof, tmp_path: Path) -> None:
    """Silence of the first moment must not read as a good result."""
    viewer = Viewer(roof, model_path(plan), plan, tmp_path / "out.toml")
    try:
        data = json.loads(re.findall(r'id="data">(.*?)</script>', asyncio.run(viewer.first()), re.DOTALL)[0])
    finally:
        viewer.close()
    assert data["unchecked"] and data["session"]["version"] == -1
    assert data["summary"] == {"m": "", "ft": ""}
    assert data["verdict"]["word"] != "hold"
    assert {stretch["state"] for stretch in data["stretches"]} == {"unassessed"}
    assert [a["id"] for a in data["anchors"]] == [a.id for a in plan.anchors]


def connect(server: Server, **given: Any) -> Any:
    from websockets.sync.client import connect as open_socket

    given.setdefault("origin", server.origin)
    return open_socket(given.pop("address", server.socket), open_timeout=30, max_size=None, **given)


def test_sockets_from_elsewhere_are_refused(server: Server) -> None:
    from websockets.exceptions import WebSocketException

    wrong = server.socket.replace(server.token, "x" * len(server.token))
    for given in (
        {"origin": "http://evil.example"},
        {"origin": None},
        {"origin": "null"},
        {"address": wrong},
    ):
        with pytest.raises(WebSocketException), connect(server, **given) as one:
            one.recv(timeout=10)
    with connect(server) as one:
        assert json.loads(one.recv(timeout=30))["type"] == "state"


def test_it_listens_on_this_machine_alone(server: Server) -> None:
    table = Path("/proc/net/tcp")
    if not table.exists():
        pytest.skip("no /proc/net/tcp here")
    rows = [line.split() for line in table.read_text().splitlines()[1:]]
    own = {row[1] for row in rows if row[1].endswith(f":{server.port:04X}") and row[3] == "0A"}
    assert own == {f"0100007F:{server.port:04X}"}


def test_long_and_broken_messages_do_no_harm(server: Server) -> None:
    from websockets.exceptions import ConnectionClosed

    with connect(server) as one:
        one.recv(timeout=30)
        for text in (
            "{",
            "[]",
            '{"type":"fly"}',
            '{"type":"change"}',
            '{"type":"change","change":{"do":"move","id":"A1","at":[NaN,0,0]}}',
            '{"type":"change","change":{"do":"add_line","points":[1,2]}}',
            '{"type":"drag","id":"A9","number":1}',
            '{"type":"drag","id":"A1","number":"x"}',
            '{"type":"drag","id":"A1","number":1,"at":[1,2]}',
            '{"type":"drag","id":"A1","number":1,"at":[0,0,2]}',
            '{"type":"measure","a":[0,0,0]}',
            '{"type":"explain","segment":"x"}',
            '{"type":"explain","segment":{}}',
        ):
            one.send(text)
            answer = heard(one)
            while answer["type"] == "result":  # the first check may just have ended
                answer = heard(one)
            assert answer["type"] == "problem", text
            assert "\n" not in answer["text"]
        one.send('{"type":"measure","a":[0,0,5],"b":[1,0,5],"more":"' + "x" * LONGEST_MESSAGE + '"}')
        with pytest.raises(ConnectionClosed):
            one.recv(timeout=30)
    with connect(server) as one:  # and the server lives on
        assert json.loads(one.recv(timeout=30))["type"] == "state"


def heard(one: Any, seconds: float = 60) -> dict[str, Any]:
    """The next message that is not a first look."""
    while isinstance(text := one.recv(timeout=seconds), bytes):
        pass
    message: dict[str, Any] = json.loads(text)
    return message


def wait_for(one: Any, kind: str, seconds: float = 120) -> dict[str, Any]:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        message = heard(one, seconds)
        if message["type"] == kind:
            return message
        assert message["type"] != "problem", message
    raise AssertionError(f"no {kind}")


def test_a_change_is_checked_in_full(server: Server, roof: Roof) -> None:
    with connect(server) as one:
        first = wait_for(one, "state")
        one.send(json.dumps({"type": "change", "change": {"do": "length", "id": "", "metres": 3.3}}))
        state = wait_for(one, "state")
        assert state["version"] == first["version"] + 1
        assert state["lines"][""]["length_m"] == 3.3 and state["unsaved"]
        found = wait_for(one, "result")
        while found["version"] != state["version"]:
            found = wait_for(one, "result")
        data = found["data"]
        plan = read_plan(server.folder / "gable.toml")
        full = check(roof, replace(plan, line=replace(plan.line, length=3.3))).to_json()
        assert data["work"] == full["work"]
        assert [s["state"] for s in data["segments"]] == [s["state"] for s in full["edge_segments"]]
        one.send('{"type":"explain","segment":3,"units":"m"}')
        assert wait_for(one, "explained")["lines"]
        one.send('{"type":"measure","a":[3,4,5.3],"b":[9,4,5.3]}')
        assert wait_for(one, "measured")["taut_m"] == pytest.approx(6.0, abs=0.01)
        one.send('{"type":"undo"}')
        assert wait_for(one, "state")["lines"][""]["length_m"] == plan.line.length
        wait_for(one, "result")


def test_a_file_changed_by_hand_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    for name in ("gable.toml", "gable.glb"):
        shutil.copy(MODELS / name, tmp_path / name)
    own = Server(tmp_path, str(tmp_path / "gable.toml"))
    try:
        with connect(own) as one:
            wait_for(one, "state")
            one.send(json.dumps({"type": "change", "change": {"do": "length", "id": "", "metres": 3.3}}))
            wait_for(one, "state")
            path = tmp_path / "gable.toml"
            path.write_text(path.read_text() + "\n# by hand\n")
            before = path.read_bytes()
            one.send('{"type":"save"}')
            while (message := heard(one))["type"] in ("state", "result"):
                pass
            assert message["type"] == "problem" and "changed since" in message["text"]
            assert path.read_bytes() == before
        # Ctrl-C ends it and its checking process, without a word
        own.process.send_signal(signal.SIGINT)
        _, errors = own.process.communicate(timeout=30)
        assert own.process.returncode == 0 and errors == ""
    finally:
        own.stop()


def test_a_taken_port_is_said_in_one_line(server: Server) -> None:
    run = subprocess.run(
        [*VIEW, str(server.folder / "gable.toml"), "--port", str(server.port), "--quiet"],
        capture_output=True,
        text=True,
        timeout=120,
        cwd=PROJECT,
        check=False,
    )
    assert run.returncode == 2
    assert len(run.stderr.strip().splitlines()) == 1 and "--port" in run.stderr


# --------------------------------------------------------------------------------------- in a browser


def checked(page: Any) -> None:
    """Waits for the full check of the plan as it is now."""
    page.wait_for_function(
        "() => roof3d.designer.state && !roof3d.designer.checking && !roof3d.previewing"
        " && document.documentElement.dataset.checked == roof3d.designer.state.version",
        timeout=300_000,
    )


def act(page: Any, run: Any) -> None:
    """Does something that changes the plan, and waits until it has been checked."""
    version = page.evaluate("roof3d.designer.state.version")
    run()
    page.wait_for_function(f"() => roof3d.designer.state.version > {version}", timeout=60_000)
    checked(page)


def drag(page: Any, start: list[float], end: list[float], steps: int = 12) -> None:
    page.mouse.move(*start)
    page.mouse.down()
    for k in range(1, steps + 1):
        page.mouse.move(*(s + (e - s) * k / steps for s, e in zip(start, end, strict=True)))
        page.wait_for_timeout(40)
    page.wait_for_function("() => roof3d.previewing", timeout=30_000)
    page.mouse.up()


@needs_browser
def test_design_drag_undo_save_reload(tmp_path: Path) -> None:
    for name in ("gable.toml", "gable.glb"):
        shutil.copy(MODELS / name, tmp_path / name)
    path = tmp_path / "gable.toml"
    path.write_text(path.read_text().replace("[worker]", "# crew of two, kept by hand\n[worker]"))
    own = Server(tmp_path, str(path))
    try:
        with browser_page() as watched:
            page = watched.open(own.address)
            checked(page)
            served = page.evaluate("roof3d.data.work.served_m2")
            # drag an anchor along the ridge: a first look while it moves, the full check after
            start = page.evaluate("roof3d.screen(roof3d.data.anchors[1].points[0])")
            end = page.evaluate(
                "roof3d.screen([6, 0, 0].map((v, k) => [6, 4, 5.3][k] - roof3d.data.origin[k]))"
            )
            act(page, lambda: drag(page, start, end))
            at = page.evaluate("roof3d.data.anchors[1].loaded")
            assert at == pytest.approx([6.0, 4.0, 5.3], abs=0.3)
            assert at[1] == pytest.approx(4.0, abs=0.01), "it snapped to the ridge"
            assert page.evaluate("roof3d.data.work.served_m2") < served - 1
            trips = page.evaluate("roof3d.designer.trips")
            assert trips and min(trip["drawn"] - trip["moves"][-1] for trip in trips) < 2000
            # set another one on the roof
            page.locator("[data-tool=anchor]").click()
            spot = page.evaluate(
                "roof3d.screen([10, 1.5, 3 + 2.3 * 2 / 4.5].map((v, k) => v - roof3d.data.origin[k]))"
            )
            version = page.evaluate("roof3d.designer.state.version")
            page.mouse.click(*spot)
            page.wait_for_function(f"() => roof3d.designer.state.version > {version}", timeout=60_000)
            # it stands there at once, whatever the check takes
            assert page.evaluate("roof3d.data.anchors.map(a => a.id)") == ["A1", "A2", "A3"]
            assert page.locator("[data-anchor=A3]").count() == 1
            checked(page)
            assert page.evaluate("roof3d.data.anchors.map(a => a.id)") == ["A1", "A2", "A3"]
            # a longer line by the slider, with keys
            page.locator("[data-tool=look]").click()
            slider = page.locator("[data-slider=all]")
            slider.focus()
            act(page, lambda: page.keyboard.press("ArrowRight"))
            assert page.evaluate("roof3d.data.anchors[0].line_length_m") == pytest.approx(4.25)
            # another one by keys alone: moved over the slope it keeps its height above the roof
            before = page.evaluate("roof3d.data.anchors[2].points[0]")
            page.locator("[data-anchor=A3]").focus()
            act(page, lambda: [page.keyboard.press(key) for key in ("ArrowLeft", "Shift+ArrowUp")])
            after = page.evaluate("roof3d.data.anchors[2].points[0]")
            assert after[0] - before[0] == pytest.approx(-0.1, abs=2e-3)
            assert after[1] - before[1] == pytest.approx(1.0, abs=2e-3)
            rise = page.evaluate("roof3d.data.planes.map(p => p.normal)")
            slopes = {round(-n[1] / n[2], 3) for n in rise}
            assert any(after[2] - before[2] == pytest.approx(s, abs=5e-3) for s in slopes)
            assert page.evaluate("document.activeElement.dataset.anchor") == "A3"
            act(page, lambda: page.keyboard.press("Control+z"))
            # back and forth
            act(page, lambda: page.keyboard.press("Control+z"))
            assert page.evaluate("roof3d.data.anchors[0].line_length_m") == pytest.approx(4.2)
            act(page, lambda: page.locator("[data-act=undo]").click())
            assert page.evaluate("roof3d.data.anchors.length") == 2
            act(page, lambda: page.locator("[data-act=redo]").click())
            assert page.evaluate("roof3d.data.anchors.length") == 3
            # another rule set
            act(page, lambda: page.locator("[data-choose=rules]").select_option("eu-363"))
            assert page.evaluate("roof3d.data.rules.name") == "eu-363"
            assert "not saved" in page.locator("[data-file]").inner_text()
            # save, and find it again after a reload and in the file
            page.locator("[data-act=save]").click()
            page.wait_for_selector("html[data-saved]", state="attached", timeout=60_000)
            text = path.read_text()
            assert "# crew of two, kept by hand" in text
            plan = read_plan(path)
            assert [a.id for a in plan.anchors] == ["A1", "A2", "A3"] and plan.rules == "eu-363"
            assert plan.anchors[1].at == pytest.approx(at)
            page = watched.open(own.address)
            checked(page)
            assert page.evaluate("roof3d.data.anchors.map(a => a.id)") == ["A1", "A2", "A3"]
            assert "not saved" not in page.locator("[data-file]").inner_text()
            assert watched.complaints == []
            assert {re.sub(r"/[\w-]{20,}/", "/", url) for url in watched.requests} == {f"{own.origin}/"}
    finally:
        own.stop()


NO_NET = "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"


@needs_browser
def test_one_sitting_by_keys_in_german_and_feet_without_a_net(tmp_path: Path) -> None:
    """Rows, layers, units, undo and save by keys; an edge explained; all anchors in a first look."""
    for name in ("gable.toml", "gable.glb"):
        shutil.copy(MODELS / name, tmp_path / name)
    own = Server(tmp_path, str(tmp_path / "gable.toml"), "--language", "de", "--units", "ft")
    try:
        with browser_page(NO_NET) as watched:
            page = watched.open(own.address)
            checked(page)
            german = load_texts("de")
            assert page.locator(".verdict").inner_text() == german("verdict.danger")
            assert page.locator("[data-act=save]").inner_text() == german("page.save")
            # an edge by keys: its figures and how they add up, in feet
            page.locator("section#worst tbody tr").nth(0).focus()
            page.keyboard.press("Enter")
            page.wait_for_selector(".card .sums", timeout=60_000)
            assert re.search(r"\d ft", page.locator(".card .sums").inner_text())
            assert re.search(r"\d' ", page.locator(".card .figures").inner_text())
            # another edge by a click on the picture
            stretch = page.evaluate("roof3d.data.stretches.find(s => s.state === 'arrest' || s.number === 1)")
            spot = page.evaluate(
                "ends => roof3d.screen(ends[0].map((v, k) => 0.45 * v + 0.55 * ends[1][k]))", stretch["ends"]
            )
            page.mouse.click(*spot)
            assert stretch["edge"] in page.locator(".card h2").inner_text()
            page.wait_for_selector(".card .sums", timeout=60_000)
            # the next layer by an arrow key, metres by a key on the button
            page.locator("input[value=margin]").focus()
            page.keyboard.press("ArrowDown")
            assert page.evaluate("roof3d.layer") == "taut"
            page.locator("[data-units=m]").focus()
            page.keyboard.press("Enter")
            assert re.search(r"\d m\b", page.locator(".card .figures").inner_text())
            # an anchor by keys in the middle of the picture, and back
            page.locator("[data-tool=anchor]").click()
            page.locator(".stage canvas").focus()
            act(page, lambda: page.keyboard.press("Enter"))
            assert page.evaluate("roof3d.data.anchors.length") == 3
            page.keyboard.press("Escape")
            act(page, lambda: page.keyboard.press("Control+z"))
            act(page, lambda: page.keyboard.press("Control+Shift+z"))
            assert page.evaluate("roof3d.data.anchors.length") == 3
            # a drag shows all anchors, with figures that are never better than the check that follows
            start = page.evaluate("roof3d.screen(roof3d.data.anchors[0].points[0])")
            page.evaluate(
                "() => { const show = roof3d.preview.bind(roof3d);"
                " roof3d.preview = (look, words) => { window.last = look.shown; show(look, words); }; }"
            )
            act(page, lambda: drag(page, start, [start[0] + 30, start[1]]))
            told = page.evaluate("window.last.map(s => ({...s, segment: null}))")
            assert {s["anchor"] for s in told} >= {"A1", "A2"}
            full = page.evaluate("roof3d.data.segments")
            for s in full:
                if s["to_m"] - s["from_m"] > 0.1:
                    middle = (s["from_m"] + s["to_m"]) / 2
                    assert worst_at(told, s["edge"], middle) <= STATES.index(s["state"]), s
            page.keyboard.press("Control+s")
            page.wait_for_selector("html[data-saved]", state="attached", timeout=60_000)
            assert len(read_plan(tmp_path / "gable.toml").anchors) == 3
            assert watched.complaints == []
            assert all(url.startswith(own.origin) for url in watched.requests)
    finally:
        own.stop()


@needs_browser
def test_from_a_bare_model_to_an_anchor_line_and_a_measure(tmp_path: Path) -> None:
    shutil.copy(MODELS / "gable.glb", tmp_path / "house.glb")
    own = Server(tmp_path, str(tmp_path / "house.glb"), "--grade", "0 m", "--line", "5 m")
    try:
        with browser_page() as watched:
            page = watched.open(own.address)
            checked(page)
            assert "Nothing was assessed" in page.locator(".verdict").inner_text()

            def pixel(*at: float) -> list[float]:
                place: list[float] = page.evaluate(
                    "at => roof3d.screen(at.map((v, k) => v - roof3d.data.origin[k]))", list(at)
                )
                return place

            page.locator("[data-tool=measure]").click()
            page.mouse.click(*pixel(3, 4, 5.2))
            page.mouse.click(*pixel(9, 4, 5.2))
            page.wait_for_function(
                "() => document.querySelector('.statusline').textContent.match(/straight [0-9]/)"
            )
            told = page.locator(".statusline").inner_text()
            lengths = [float(v) for v in re.findall(r"(\d+\.\d+) m", told)]
            assert lengths[0] == pytest.approx(6.0, abs=0.25)
            assert lengths[3] >= lengths[0] - 0.01, "no rope is shorter than the straight line"
            page.locator("[data-tool=line]").click()
            for x in (2.0, 6.0, 10.0):
                page.mouse.click(*pixel(x, 4, 5.2))
                page.wait_for_timeout(450)  # no double click
            act(page, lambda: page.keyboard.press("Enter"))
            assert page.evaluate("roof3d.data.anchors.map(a => [a.id, a.kind, a.points.length])") == [
                ["H1", "line", 3]
            ]
            assert "Nothing was assessed" not in page.locator(".verdict").inner_text()
            page.keyboard.press("Control+s")
            page.wait_for_selector("html[data-saved]", state="attached", timeout=60_000)
            plan = read_plan(tmp_path / "house-plan.toml")
            assert plan.model.file == "house.glb" and plan.model.grade == 0.0
            assert plan.line.length == 5.0
            assert [len(line.points) for line in plan.anchor_lines] == [3]
            assert watched.complaints == []
    finally:
        own.stop()
