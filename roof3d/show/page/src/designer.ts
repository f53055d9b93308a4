/** The designer's tools: set and drag anchors, draw anchor lines, measure, undo, save. */

import type { App } from "./app";
import { h, put } from "./dom";
import { Looks, type Look } from "./looks";
import type { Anchor, PageData, Point, Session } from "./types";

type Tool = "look" | "anchor" | "line" | "measure";

interface State {
  version: number;
  undo: number;
  redo: number;
  unsaved: boolean;
  file: string;
  rules: string;
  anchors: Pick<Anchor, "id" | "kind" | "points">[];
  lines: Record<string, { length_m: number | null; policy: string }>;
}

interface Drag {
  id: string;
  point: number;
  lift: number;
  moved: boolean;
  at: Point;
}

/** One first look from the moves that it shows to its picture, on the page's clock, milliseconds. */
interface Trip {
  moves: number[]; // when the pointer was where; the last one is where the look was taken
  sent: number;
  heard: number;
  made: number; // everything on the page is changed
  drawn: number; // and the graphics card has finished
  took: number; // in the server, and how much of that was spent at work
  cpu: number;
}

const SNAP_PIXELS = 12;
const GRAB_PIXELS = 22;
const RESTED_MS = 450;
const NUDGES: Record<string, [number, number]> = {
  ArrowLeft: [-1, 0],
  ArrowRight: [1, 0],
  ArrowUp: [0, 1],
  ArrowDown: [0, -1],
};
const TOOLS: Tool[] = ["look", "anchor", "line", "measure"];
const POLICIES = ["fixed", "snug", "restraint"];

export class Designer {
  /** First looks as they were drawn, for tests and benches. */
  readonly trips: Trip[] = [];
  private readonly app: App;
  private readonly session: Session;
  private readonly socket: WebSocket;
  private tool: Tool = "look";
  private state: State | null = null;
  private checking = false;
  private drag: Drag | null = null;
  private readonly looks = new Looks();
  private waiting = false; // one first look at a time; the newest place next
  private next: [Record<string, unknown>, number[]] | null = null;
  private trip: Pick<Trip, "moves" | "sent"> = { moves: [], sent: 0 };
  private asked = 0;
  private measured: Point[] = [];
  private sums = new Map<number, (lines: string[]) => void>();

  constructor(app: App, session: Session) {
    this.app = app;
    this.session = session;
    this.socket = new WebSocket(session.socket);
    this.socket.binaryType = "arraybuffer";
    this.socket.addEventListener("message", (event) => {
      if (event.data instanceof ArrayBuffer) this.look(this.looks.take(event.data));
      else this.hear(JSON.parse(String(event.data)));
    });
    this.socket.addEventListener("close", () => this.say(app.words.say("lost"), true));
    app.explain = (segment) =>
      new Promise((done) => {
        this.sums.set(segment, done);
        this.send({ type: "explain", segment, units: app.words.units });
      });
    app.anchorTools = (id) => this.anchorTools(id);
    app.onUnits = (units) => {
      this.send({ type: "units", units });
      this.draw();
      app.stale(this.checking);
    };
    app.takeClick = (x, y) => this.click(x, y);
    app.tools.hidden = false;
    const canvas = app.stage?.canvas;
    if (canvas) {
      // before the camera's own listeners, so that a dragged anchor does not turn the roof
      canvas.parentElement!.addEventListener("pointerdown", (e) => this.press(e), { capture: true });
      window.addEventListener("pointermove", (e) => this.pull(e));
      window.addEventListener("pointerup", () => this.release());
    }
    window.addEventListener("keydown", (e) => this.key(e));
    window.addEventListener("beforeunload", (e) => {
      if (this.state?.unsaved && this.state.undo > 0) e.preventDefault();
    });
    this.checking = session.version < 0;
    if (this.checking) {
      app.stale(true);
      this.say(app.words.say("checking"));
    } else {
      document.documentElement.dataset.checked = String(session.version);
    }
    this.send({ type: "hello", version: session.version });
    this.draw();
  }

  // ---------------------------------------------------------------------------------------- wire

  private send(message: Record<string, unknown>): void {
    if (this.socket.readyState === WebSocket.OPEN) this.socket.send(JSON.stringify(message));
    else if (this.socket.readyState === WebSocket.CONNECTING) this.socket.addEventListener("open", () => this.send(message), { once: true });
  }

  private change(change: Record<string, unknown>): void {
    this.send({ type: "change", change });
  }

  private hear(message: Record<string, unknown> & { type: string }): void {
    const { app } = this;
    switch (message.type) {
      case "state": {
        const first = this.state === null;
        const before = this.state?.version;
        this.state = message as unknown as State;
        if (!first && before !== this.state.version) {
          this.checking = true;
          app.stale(true);
          app.place(this.state.anchors);
          if (!app.previewing) this.say(app.words.say("checking"));
        }
        this.draw();
        app.redrawCard();
        break;
      }
      case "result":
        // a newer check follows what has changed since, or what is being dragged now
        if ((this.state && message.version !== this.state.version) || this.drag?.moved) return;
        this.checking = false;
        app.stale(false);
        app.replace(message.data as PageData);
        this.say("");
        this.draw();
        document.documentElement.dataset.checked = String(message.version);
        break;
      case "measured":
        this.tellMeasure(message.taut_m as number | null);
        break;
      case "explained":
        this.sums.get(message.segment as number)?.(message.lines as string[]);
        this.sums.delete(message.segment as number);
        break;
      case "saved":
        this.say(app.words.say("saved", { file: String(message.file) }));
        document.documentElement.dataset.saved = String(message.sha256);
        break;
      case "problem":
        this.waiting = false;
        if (this.checking) app.stale(true);
        this.checking = false;
        this.say(String(message.text), true);
        break;
    }
  }

  private say(text: string, bad = false): void {
    this.app.status.textContent = text;
    this.app.status.classList.toggle("bad", bad);
  }

  // --------------------------------------------------------------------------------------- tools

  private sliding = false;
  private resting = 0;

  private draw(): void {
    const { app, state } = this;
    const { words } = app;
    const tools = TOOLS.map((tool) =>
      h("button", { type: "button", "data-tool": tool, "aria-pressed": String(tool === this.tool), title: words.say(`tool_${tool}_note`), click: () => this.choose(tool) }, words.say(`tool_${tool}`)),
    );
    const act = (name: string, on: boolean, run: () => void): HTMLElement =>
      h("button", { type: "button", "data-act": name, disabled: !on, click: run }, words.say(name));
    const rules = h("select", { "data-choose": "rules", change: (e: Event) => this.change({ do: "rules", name: (e.target as HTMLSelectElement).value }) });
    for (const name of this.session.rule_sets) rules.append(h("option", { value: name }, name));
    if (state) rules.value = state.rules;
    const focused = document.activeElement instanceof HTMLElement ? document.activeElement.dataset : null;
    put(
      app.tools,
      h("div", { class: "group", role: "group" }, ...tools),
      this.slider("", words.say("line_length")),
      h("label", {}, words.say("policy"), this.policies("")),
      h("label", {}, words.say("rule_set"), rules),
      h("div", { class: "group" }, act("undo", !!state?.undo, () => this.send({ type: "undo" })), act("redo", !!state?.redo, () => this.send({ type: "redo" }))),
      act("save", !!state, () => this.save()),
      h("span", { class: "note", "data-file": "yes" }, state ? `${state.file}${state.unsaved ? `, ${words.say("unsaved")}` : ""}` : ""),
    );
    for (const key of ["tool", "act", "choose", "slider"]) {
      const value = focused?.[key];
      if (value !== undefined) app.tools.querySelector<HTMLElement>(`[data-${key}="${value}"]`)?.focus();
    }
  }

  private slider(id: string, text: string): HTMLElement {
    const { words } = this.app;
    const length = this.state?.lines[id]?.length_m ?? null;
    const most = Math.max(this.session.longest_m, length ?? 0);
    const out = h("output", {}, length === null ? "–" : words.length(length));
    const input = h("input", { type: "range", min: 0.5, max: most, step: 0.05, "data-slider": id || "all", "aria-label": text, disabled: !this.state });
    input.value = String(length ?? 6);
    input.addEventListener("input", (event) => {
      this.sliding = true;
      out.textContent = words.length(Number(input.value));
      const shown = id || this.picked() || this.app.data.anchors[0]?.id;
      if (shown) this.ask({ id: shown, owner: id, metres: Number(input.value) }, event.timeStamp);
    });
    input.addEventListener("change", () => {
      this.sliding = false;
      this.app.stage?.move(false);
      this.next = null;
      this.change({ do: "length", id, metres: Number(input.value) });
    });
    return h("label", {}, text, input, out);
  }

  private policies(id: string): HTMLElement {
    const { words } = this.app;
    const select = h("select", { "data-choose": `policy${id}`, change: (e: Event) => this.change({ do: "policy", id, policy: (e.target as HTMLSelectElement).value }) });
    for (const name of POLICIES) select.append(h("option", { value: name }, words.of("policy", name)));
    select.value = this.state?.lines[id]?.policy ?? "fixed";
    return select;
  }

  private anchorTools(id: string): HTMLElement | null {
    if (!this.state) return null;
    const { words } = this.app;
    return h(
      "div",
      { class: "anchortools" },
      this.slider(id, words.say("line_length")),
      h("label", {}, words.say("policy"), this.policies(id)),
      h("button", { type: "button", "data-act": "remove", click: () => this.change({ do: "remove", id }) }, words.say("remove")),
    );
  }

  private picked(): string {
    return this.app.picked.kind === "anchor" ? this.app.picked.id : "";
  }

  private choose(tool: Tool): void {
    this.tool = tool;
    this.measured = [];
    this.app.extra = [];
    this.app.drawMarks();
    document.body.classList.toggle("placing", tool !== "look");
    this.say(this.app.words.say(`tool_${tool}_note`));
    this.draw();
  }

  private save(): void {
    this.send({ type: "save" });
  }

  private key(event: KeyboardEvent): void {
    const typing = event.target instanceof HTMLInputElement && event.target.type === "text";
    if (typing) return;
    const command = event.ctrlKey || event.metaKey;
    const key = event.key.toLowerCase();
    if (command && key === "z" && !event.shiftKey) this.send({ type: "undo" });
    else if (command && (key === "y" || (key === "z" && event.shiftKey))) this.send({ type: "redo" });
    else if (command && key === "s") this.save();
    else if (event.key === "Escape") this.choose("look");
    else if (event.key === "Enter" && this.tool === "line" && this.app.extra.length > 1) this.endLine();
    else if (event.key === "Enter" && this.tool === "anchor" && event.target === this.app.stage?.canvas) this.setInMiddle();
    else if (event.key in NUDGES && this.focused()) this.nudge(this.focused(), NUDGES[event.key]!, event.shiftKey ? 1 : 0.1);
    else if (event.key === "Delete" && this.picked()) this.change({ do: "remove", id: this.picked() });
    else return;
    event.preventDefault();
  }

  /** The anchor whose name has the focus. */
  private focused(): string {
    const active = document.activeElement;
    return active instanceof HTMLElement ? (active.dataset.anchor ?? "") : "";
  }

  /** Moves an anchor over the roof by keys, metres along x and y. */
  private nudge(id: string, way: [number, number], step: number): void {
    const anchor = this.app.data.anchors.find((a) => a.id === id);
    if (!anchor) return;
    const at = anchor.points[0]!;
    const lift = this.liftOf(at);
    const to: Point = [at[0] + way[0] * step, at[1] + way[1] * step, at[2]];
    const under = this.app.stage!.below([to[0], to[1], at[2] + 3]);
    if (under === null) return;
    to[2] = under + lift;
    anchor.points[0] = to;
    delete anchor.lies;
    this.app.pick({ kind: "anchor", id }, false);
    this.app.drawLabels();
    this.sliding = true;
    this.ask({ id, point: 0, at: to }, performance.now());
    window.clearTimeout(this.resting);
    this.resting = window.setTimeout(() => {
      this.sliding = false;
      this.app.stage?.move(false);
      this.next = null;
      this.change({ do: "move", id, point: 0, at: to });
    }, RESTED_MS);
  }

  /** An anchor where the middle of the picture meets the roof. */
  private setInMiddle(): void {
    const { clientWidth, clientHeight } = this.app.stage!.element;
    this.click(clientWidth / 2, clientHeight / 2);
  }

  // -------------------------------------------------------------------------------- on the roof

  private click(x: number, y: number): boolean {
    if (this.tool === "look") return false;
    const hit = this.app.stage!.hit(x, y);
    if (!hit) return true;
    if (this.tool === "measure") {
      if (this.measured.length === 2) this.measured = [];
      this.measured.push(hit.point);
      this.app.extra = [...this.measured];
      this.app.drawMarks();
      if (this.measured.length === 2) this.send({ type: "measure", a: this.measured[0], b: this.measured[1] });
      return true;
    }
    const at = this.raised(this.snapped(x, y, hit.point));
    if (this.tool === "anchor") {
      this.change({ do: "add_anchor", at });
      return true;
    }
    const last = this.app.extra[this.app.extra.length - 1];
    if (last && Math.hypot(...last.map((v, c) => v - at[c]!)) < 0.2) {
      if (this.app.extra.length > 1) this.endLine();
      return true;
    }
    this.app.extra = [...this.app.extra, at];
    this.app.drawMarks();
    return true;
  }

  private endLine(): void {
    this.change({ do: "add_line", points: this.app.extra });
    this.choose("look");
  }

  private raised(at: Point): Point {
    return [at[0], at[1], at[2] + this.session.height_m];
  }

  /** On the nearest ridge or hip where one is close, else where it was. */
  private snapped(x: number, y: number, at: Point): Point {
    const stage = this.app.stage!;
    const pairs = this.app.data.edges
      .filter((edge) => edge.kind === "ridge" || edge.kind === "hip")
      .flatMap((edge) => edge.points.slice(1).map((q, k): [Point, Point] => [edge.points[k]!, q]));
    const k = stage.nearest(x, y, pairs, SNAP_PIXELS);
    if (k < 0) return at;
    const [a, b] = pairs[k]!;
    const way = b.map((v, c) => v - a[c]!);
    const size = way.reduce((sum, v) => sum + v * v, 0);
    const t = Math.min(1, Math.max(0, way.reduce((sum, v, c) => sum + v * (at[c]! - a[c]!), 0) / size));
    return a.map((v, c) => v + t * way[c]!) as Point;
  }

  private press(event: PointerEvent): void {
    if (event.button !== 0 || this.tool !== "look") return;
    const stage = this.app.stage!;
    const [x, y] = this.app.pixel(event);
    let least = GRAB_PIXELS;
    for (const anchor of this.app.data.anchors) {
      anchor.points.forEach((at, point) => {
        const [ax, ay, inFront] = stage.screen(at);
        const away = Math.hypot(ax - x, ay - y);
        if (inFront && away < least) {
          least = away;
          this.drag = { id: anchor.id, point, lift: 0, moved: false, at };
        }
      });
    }
    if (!this.drag) return;
    this.drag.lift = this.liftOf(this.drag.at);
    stage.controls.enabled = false;
    this.app.pick({ kind: "anchor", id: this.drag.id }, false);
  }

  /** How high an anchor stands above the roof under it. */
  private liftOf(at: Point): number {
    const under = this.app.stage!.below(at);
    return under === null ? this.session.height_m : Math.max(0, at[2] - under);
  }

  private pull(event: PointerEvent): void {
    if (!this.drag) return;
    const [x, y] = this.app.pixel(event);
    const hit = this.app.stage!.hit(x, y);
    if (!hit || !this.app.isRoof(hit.object)) return;
    const at = this.snapped(x, y, hit.point);
    const to: Point = [at[0], at[1], at[2] + this.drag.lift];
    if (!this.drag.moved && Math.hypot(...to.map((v, c) => v - this.drag!.at[c]!)) < 0.05) return;
    this.drag.moved = true;
    this.drag.at = to;
    const anchor = this.app.data.anchors.find((a) => a.id === this.drag!.id)!;
    anchor.points[this.drag.point] = to;
    delete anchor.lies;
    this.ask({ id: this.drag.id, point: this.drag.point, at: to }, event.timeStamp);
    // where drawing is slow it would hold up the first look, which moves the anchor too
    if (this.app.stage!.slow) return;
    this.app.drawMarks();
    this.app.drawLabels();
  }

  private release(): void {
    const drag = this.drag;
    this.drag = null;
    this.app.stage?.move(false);
    if (this.app.stage) this.app.stage.controls.enabled = true;
    if (drag?.moved) {
      this.next = null;
      this.change({ do: "move", id: drag.id, point: drag.point, at: drag.at });
    }
  }

  /** Asks for a first look; ``when``: of the move that asks for it. */
  private ask(what: Record<string, unknown>, ...moves: number[]): void {
    this.app.stage?.move(true);
    if (this.waiting) {
      this.next = [what, [...(this.next?.[1] ?? []), ...moves]];
      return;
    }
    this.next = null;
    this.waiting = true;
    this.trip = { moves, sent: performance.now() };
    this.send({ type: "drag", number: ++this.asked, ...what });
  }

  private look(look: Look): void {
    const { app, trip } = this;
    const heard = performance.now();
    // what nobody asked for yields to what is moved meanwhile, which has its own look
    const asked = look.number > 0;
    const late = look.version !== this.state?.version || (!asked && this.waiting);
    if (asked) this.waiting = false;
    // the server goes on while this is drawn
    if (asked && this.next) this.ask(this.next[0], ...this.next[1]);
    if (late || !(this.drag || this.checking || this.sliding)) return;
    const served = app.words.area(look.served_m2, "down");
    app.preview(look, app.words.say("served_least", { area: served }));
    app.stale(true);
    this.say(app.words.say(look.alone ? "quick_alone" : "quick", { id: look.id }));
    if (!asked) return;
    const made = performance.now();
    void app.stage?.picture().then(() => {
      this.trips.push({ ...trip, heard, made, drawn: performance.now(), took: look.took_ms ?? 0, cpu: look.cpu_ms ?? 0 });
    });
  }

  private tellMeasure(taut: number | null): void {
    const [a, b] = this.measured;
    if (!a || !b) return;
    const { words } = this.app;
    const way = b.map((v, c) => v - a[c]!);
    this.say(
      words.say("measured", {
        straight: words.length(Math.hypot(...way)),
        level: words.length(Math.hypot(way[0]!, way[1]!)),
        upright: words.length(way[2]!),
        taut: words.length(taut, "up"),
      }),
    );
  }
}
