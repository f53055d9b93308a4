/** The page as a whole: state of the view, and what follows when it changes. */

import { cellAt, figure, unpack, type Cells } from "./cells";
import { Card } from "./card";
import { h, put } from "./dom";
import { Edges, Marks, type Shown } from "./edges";
import { edgeLegend, mapLegend } from "./legend";
import type { Look } from "./looks";
import { Pins, PINS } from "./pins";
import { Rim } from "./rim";
import { Stage } from "./stage";
import { Surfaces } from "./surfaces";
import { Tables } from "./tables";
import { FALL_STATES, filled, NO_FIGURES, type Anchor, type Layer, type PageData, type Plane, type Point, type Segment, type Units } from "./types";
import { Words } from "./words";

type Picked =
  | { kind: "none" }
  | { kind: "segment"; index: number; number: number; shown?: Shown }
  | { kind: "edge"; id: string }
  | { kind: "anchor"; id: string }
  | { kind: "roof"; plane: Plane; map: Int32Array | null; at: Point };

const PICK_PIXELS = 12;

/** Text in which no number is parted from its unit. */
function unbroken(text: string): string {
  return text.replace(/(\d) (?=\S{1,3}\b)/g, "$1\u00a0");
}

export class App {
  data: PageData;
  words: Words;
  cells: Cells | null;
  stage: Stage | null = null;
  picked: Picked = { kind: "none" };
  layer = "margin";
  whose = "";
  /** The tools of a session, for tests and scripts. */
  designer: unknown = null;
  /** Points drawn by a tool. */
  extra: Point[] = [];
  /** What the card shows below an anchor's figures. */
  anchorTools: ((id: string) => HTMLElement | null) | null = null;
  explain: ((segment: number) => Promise<string[] | null>) | null = null;
  /** A tool may take a click for itself. */
  takeClick: ((x: number, y: number) => boolean) | null = null;
  onUnits: (units: Units) => void = () => {};
  readonly head = h("header", {});
  readonly tools = h("div", { class: "tools", hidden: true });
  readonly status = h("p", { class: "statusline", role: "status" });
  private readonly side = h("aside", { class: "side" });
  private readonly mapBox = h("div", { class: "maplegend" });
  private readonly edgeBox = h("ul", { class: "swatches" });
  private readonly readout = h("p", { class: "readout", hidden: true });
  private readonly card = new Card();
  private readonly rim = new Rim();
  private readonly tables = new Tables();
  private readonly pins = new Pins(
    (number) => this.pickShown(this.shown.find((one) => one.number === number)!, false),
    (id) => this.pick({ kind: "anchor", id }, false),
  );
  private surfaces: Surfaces | null = null;
  private edges: Edges | null = null;
  private marks: Marks | null = null;
  private shown: Shown[] = [];
  private names = false;
  private curtains = true;
  private walls = true;
  private temporary: { layer: string; cells: Cells; shown: Shown[]; words: string } | null = null;
  private legendStates = "";
  private size = 10;

  constructor(data: PageData) {
    this.data = filled(data);
    this.words = new Words(data);
    this.cells = unpack(data.cells);
    document.title = data.title;
    const centre = h("div", { class: "centre" });
    const skip = h("a", { href: "#tables", class: "skip" }, this.words.say("skip"));
    const shell = h("div", { class: "first" }, this.head, this.tools, h("div", { class: "work" }, this.side, centre, this.card.element), this.rim.element);
    document.body.append(skip, shell, this.tables.element, h("footer", {}, this.words.say("caution_short")));
    try {
      this.build();
      centre.append(this.stage!.element, this.readout, this.status);
    } catch (error) {
      centre.append(h("p", { class: "nowebgl" }, this.words.say("no_webgl")), this.status);
      console.info(String(error));
    }
    this.drawAll();
    this.stage?.resize();
    this.stage?.look(this.bearing(), 34);
    if (data.session) void this.stage?.weigh();
  }

  // ------------------------------------------------------------------------------------- building

  private build(): void {
    const low = [Infinity, Infinity, Infinity];
    const high = [-Infinity, -Infinity, -Infinity];
    const take = (p: number[]): void => {
      for (let c = 0; c < 3; c++) {
        low[c] = Math.min(low[c]!, p[c]!);
        high[c] = Math.max(high[c]!, p[c]!);
      }
    };
    this.data.planes.forEach((plane) => plane.rings.forEach((ring) => ring.forEach(take)));
    this.data.anchors.forEach((anchor) => anchor.points.forEach(take));
    if (this.data.ground !== null) take([low[0]!, low[1]!, Math.max(this.data.ground, low[2]! - 60)]);
    const size = Math.max(1, Math.hypot(...high.map((v, c) => v - low[c]!)));
    this.size = size;
    const middle = low.map((v, c) => (v + high[c]!) / 2) as Point;
    const stage = new Stage(middle, size, this.words.say("stage"), !this.data.session);
    this.surfaces = new Surfaces(this.data, this.cells, size);
    this.edges = new Edges(this.data.colours, size);
    this.marks = new Marks(this.data.colours, size);
    stage.scene.add(this.surfaces.group, this.edges.group, this.marks.group);
    stage.solid = this.surfaces.solid;
    const foot = Math.max(this.data.ground ?? low[2]!, low[2]! - 60);
    const corners = this.data.planes.flatMap((plane) => plane.rings.flat());
    stage.fit = corners.flatMap((p): Point[] => [p, [p[0], p[1], foot]]);
    stage.onResize = (w, h_) => {
      this.edges!.resize(w, h_);
      this.marks!.resize(w, h_);
    };
    let down: [number, number] = [0, 0];
    stage.canvas.addEventListener("pointerdown", (e) => (down = [e.clientX, e.clientY]));
    stage.canvas.addEventListener("click", (e) => {
      if (Math.hypot(e.clientX - down[0], e.clientY - down[1]) > 4) return;
      const [x, y] = this.pixel(e);
      if (!this.takeClick?.(x, y)) this.click(x, y);
    });
    stage.canvas.addEventListener("pointermove", (e) => {
      if (!stage.moves) this.hover(...this.pixel(e));
    });
    stage.canvas.addEventListener("pointerleave", () => (this.readout.hidden = true));
    this.stage = stage;
  }

  pixel(event: MouseEvent): [number, number] {
    const box = this.stage!.canvas.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }

  /** Of eight bearings the one from which the worst edges face the viewer most squarely. */
  private bearing(): number {
    let best = 202.5;
    let score = 0;
    for (const bearing of [202.5, 157.5, 247.5, 112.5, 292.5, 67.5, 337.5, 22.5]) {
      const b = (bearing * Math.PI) / 180;
      const sum = this.data.stretches
        .filter((s) => s.number > 0 && s.number <= PINS)
        .reduce((all, s) => all + Math.max(0, s.outward[0] * Math.sin(b) + s.outward[1] * Math.cos(b)) / s.number, 0);
      if (sum > score + 1e-6) [best, score] = [bearing, sum];
    }
    return best;
  }

  // -------------------------------------------------------------------------------------- drawing

  /** Everything anew, after other data or other units. */
  drawAll(): void {
    this.drawHead();
    this.drawSide();
    this.drawMap();
    this.drawEdges();
    this.tables.draw(this.data, this.words, {
      stretch: (s) => this.pick({ kind: "segment", index: s.segment, number: s.number }, true),
      segment: (k) => this.pick({ kind: "segment", index: k, number: 0 }, true),
      anchor: (id) => this.pick({ kind: "anchor", id }, true),
      finding: (k) => this.goFinding(k),
    });
    this.drawCard();
  }

  /** Other data, as after a change of the plan; the camera stays. */
  replace(data: PageData): void {
    const session = this.data.session;
    this.data = { ...filled(data), session };
    const units = this.words.units;
    this.words = new Words(this.data);
    this.words.units = units;
    this.cells = unpack(data.cells);
    this.temporary = null;
    this.surfaces?.change(data.planes, this.cells);
    if (this.whose && !data.anchors.some((a) => a.id === this.whose)) this.whose = "";
    if (this.picked.kind === "segment" || this.picked.kind === "roof") this.picked = { kind: "none" };
    if (this.picked.kind === "anchor" && !data.anchors.some((a) => a.id === (this.picked as { id: string }).id)) this.picked = { kind: "none" };
    this.drawAll();
  }

  /** A first look while something changes: picture, edges, list and legends at once. */
  preview(look: Look, words: string): void {
    const layer = this.layer === "served" ? "served" : "taut";
    const other = this.temporary?.layer !== layer;
    this.temporary = { layer, cells: look.cells, shown: look.shown, words };
    this.surfaces?.change(look.planes as Plane[], look.cells);
    this.surfaces?.show(look.cells, this.layerOf(layer));
    if (other) mapLegend(this.mapBox, this.layerOf(layer), this.data.colours, this.words, look.cells, this.outside, layer !== this.layer);
    this.shown = look.shown;
    this.drawEdgeLines();
    this.drawMarks();
    this.drawLabels();
    this.stage?.now();
    // the card draws while this goes on
    this.drawSummary();
    this.drawEdgeLegend();
    this.drawRim();
    if (this.picked.kind !== "anchor") this.drawCard();
    this.tables.first(this.shown, this.data, this.words);
  }

  /** Metres of edge in each state, as drawn. */
  private stateLengths(): [string, number][] {
    const sums = new Map<string, number>();
    for (const one of this.shown) sums.set(one.state, (sums.get(one.state) ?? 0) + one.to_m - one.from_m);
    return Object.keys(this.data.colours.states).flatMap((state): [string, number][] => {
      const sum = sums.get(state);
      return sum ? [[state, sum]] : [];
    });
  }

  private drawSummary(): void {
    const line = this.head.querySelector(".title p");
    if (!line || !this.temporary) return;
    const parts = this.stateLengths().map(([state, length]) => `${this.words.of("state_name", state)} ${this.words.length(length)}`);
    this.head.classList.add("live");
    line.textContent = [this.temporary.words, ...parts].join(" · ");
  }

  /** Anchors as they are in the plan now; what is known of them waits for the check. */
  place(anchors: Pick<Anchor, "id" | "kind" | "points">[]): void {
    this.data.anchors = anchors.map((anchor) => {
      const known = this.data.anchors.find((a) => a.id === anchor.id);
      if (!known) return { ...NO_FIGURES, ...anchor };
      const stays = JSON.stringify(known.points) === JSON.stringify(anchor.points);
      return stays ? known : { ...known, ...anchor, lies: undefined };
    });
    if (this.picked.kind === "anchor" && !anchors.some((a) => a.id === (this.picked as { id: string }).id)) this.pick({ kind: "none" }, false);
    this.drawMarks();
    this.drawLabels();
  }

  get previewing(): boolean {
    return this.temporary !== null;
  }

  /** Whether the verdict still speaks of what is shown. */
  stale(on: boolean): void {
    this.head.classList.toggle("stale", on);
    if (!on) this.head.classList.remove("live");
    const band = this.head.querySelector(".verdict");
    if (band) band.textContent = on ? this.words.say("checking") : this.data.verdict.text;
  }

  /** Whether some of the roof is no work area. */
  private get outside(): boolean {
    const roof = this.data.planes.reduce((sum, plane) => sum + (plane.area_m2 ?? 0), 0);
    return this.data.work !== null && this.data.work.area_m2 < roof - 0.01;
  }

  private layerOf(id: string): Layer {
    const layers = this.data.layers[this.words.units];
    return layers.find((l) => l.id === id) ?? layers[0]!;
  }

  private drawHead(): void {
    const { verdict, title, summary } = this.data;
    const band = h("p", { class: "verdict" }, verdict.text);
    band.style.background = verdict.colour;
    const units = h(
      "div",
      { class: "units", role: "group", "aria-label": this.words.say("units") },
      ...(["m", "ft"] as Units[]).map((u) =>
        h("button", { type: "button", "aria-pressed": String(u === this.words.units), "data-units": u, click: () => this.setUnits(u) }, this.words.say(`unit_${u}`)),
      ),
    );
    put(this.head, band, h("div", { class: "title" }, h("h1", {}, title), h("p", {}, unbroken(summary[this.words.units]))), units);
  }

  setUnits(units: Units): void {
    this.words.units = units;
    this.drawAll();
    this.onUnits(units);
  }

  private drawSide(): void {
    const layers = this.data.layers[this.words.units];
    const group = h("fieldset", {}, h("legend", {}, this.words.say("map")));
    for (const layer of layers) {
      const input = h("input", { type: "radio", name: "layer", value: layer.id, disabled: layer.missing, change: () => this.setLayer(layer.id) });
      input.checked = layer.id === this.layer;
      const text = this.words.say(`layer_${layer.id}`) + (layer.missing && !this.data.unchecked ? ` (${this.words.say("map_none")})` : "");
      group.append(h("label", {}, input, text));
    }
    const whose = h("select", { id: "whose", change: (e: Event) => this.setWhose((e.target as HTMLSelectElement).value) });
    whose.append(h("option", { value: "" }, this.words.say("all_anchors")));
    for (const a of this.data.anchors) whose.append(h("option", { value: a.id }, a.id));
    whose.value = this.whose;
    const box = (name: string, on: boolean, act: (on: boolean) => void): HTMLElement => {
      const input = h("input", { type: "checkbox", "data-show": name, change: (e: Event) => act((e.target as HTMLInputElement).checked) });
      input.checked = on;
      return h("label", {}, input, this.words.say(`show_${name}`));
    };
    const look = (name: string, act: () => void): HTMLElement => h("button", { type: "button", click: act }, this.words.say(name));
    put(
      this.side,
      group,
      this.mapBox,
      h("h3", {}, this.words.say("edges")),
      this.data.anchors.length > 1 ? h("label", { class: "whose", for: "whose" }, this.words.say("whose"), whose) : null,
      this.edgeBox,
      h("h3", {}, this.words.say("show")),
      h(
        "div",
        { class: "shows" },
        box("curtains", this.curtains, (on) => {
          this.curtains = on;
          this.edges?.showCurtains(on);
          this.stage?.ask();
        }),
        h("p", { class: "note" }, this.words.say("curtain")),
        box("walls", this.walls, (on) => {
          this.walls = on;
          this.surfaces?.showWalls(on);
          this.stage?.ask();
        }),
        box("names", this.names, (on) => {
          this.names = on;
          this.drawLabels();
        }),
      ),
      h("h3", {}, this.words.say("views")),
      h(
        "div",
        { class: "looks" },
        look("view_fit", () => this.stage?.look(this.bearing(), 34)),
        look("view_top", () => this.stage?.look(180, 89.9)),
        look("view_side", () => this.stage?.look(this.bearing(), 6)),
      ),
    );
  }

  setLayer(id: string): void {
    this.layer = id;
    this.side.querySelectorAll<HTMLInputElement>("input[name=layer]").forEach((input) => (input.checked = input.value === id));
    this.drawMap();
  }

  setWhose(id: string): void {
    this.whose = id;
    this.drawEdges();
  }

  private drawMap(): void {
    const layer = this.layerOf(this.layer);
    mapLegend(this.mapBox, layer, this.data.colours, this.words, this.cells, this.outside);
    this.surfaces?.show(this.cells, layer);
    this.stage?.ask();
  }

  private drawEdges(): void {
    this.shown = this.temporary?.shown ?? this.chooseShown();
    this.drawEdgeLines();
    this.drawEdgeLegend();
    this.drawRim();
    this.drawMarks();
    this.drawLabels();
  }

  private drawEdgeLegend(): void {
    const states = new Set(this.shown.map((s) => s.state));
    const key = [...states].sort().join(" ") + this.words.units;
    if (this.temporary && key === this.legendStates) return;
    this.legendStates = key;
    edgeLegend(this.edgeBox, states, this.data.anchors.length > 0, this.data.colours, this.words);
  }

  private drawEdgeLines(): void {
    const falls = new Set(this.shown.map((s) => s.edge));
    this.edges?.draw(this.shown, this.data.edges.filter((e) => !falls.has(e.id)));
    this.edges?.showCurtains(this.curtains);
  }

  private drawRim(): void {
    const picked = this.shown.find((s) => this.isPicked(s)) ?? null;
    this.rim.draw(this.shown, this.data.edges, this.data.colours, this.words, (one) => this.pickShown(one, true), picked);
  }

  private isPicked(one: Shown): boolean {
    return this.picked.kind === "segment" && one.segment !== null && this.data.segments[this.picked.index] === one.segment && (!this.picked.number || one.number === this.picked.number);
  }

  private chooseShown(): Shown[] {
    if (!this.whose) {
      return this.data.stretches.map((s) => ({ ...s, segment: this.data.segments[s.segment] ?? null }));
    }
    const outward = new Map(this.data.stretches.map((s) => [s.edge, s.outward]));
    return this.data.segments
      .filter((s) => s.anchor === this.whose)
      .map((s) => ({
        edge: s.edge,
        ends: s.ends,
        outward: outward.get(s.edge) ?? [0, 0],
        state: s.protection && s.state === "beyond" ? "guarded" : s.state,
        segment: s,
        from_m: s.from_m,
        to_m: s.to_m,
        number: 0,
        anchor: s.anchor,
        breaks: s.breaks,
        figures: null,
      }));
  }

  drawMarks(): void {
    let rope: Point[] | null = null;
    let rest: Point | null = null;
    let ends: [Point, Point][] = [];
    if (this.picked.kind === "segment") {
      const segment = this.data.segments[this.picked.index];
      rope = this.data.ropes[String(this.picked.number)] ?? null;
      rest = segment?.rest ?? null;
      const anchor = this.data.anchors.find((a) => a.id === segment?.anchor);
      if (!rope && rest && anchor?.kind === "point") rope = [anchor.points[0]!, rest];
      const one = this.shown.find((s) => this.isPicked(s));
      if (segment) ends = [one?.ends ?? segment.ends];
    } else if (this.picked.kind === "edge") {
      const id = this.picked.id;
      const edge = this.data.edges.find((e) => e.id === id);
      if (edge) ends = edge.points.slice(1).map((q, k) => [edge.points[k]!, q]);
    }
    this.marks?.draw(this.data.anchors, rope, rest, ends, this.extra);
    this.stage?.ask();
  }

  drawLabels(): void {
    this.stage?.setLabels(this.pins.labels(this.data, this.shown, this.names, this.size));
  }

  redrawCard(): void {
    if (this.picked.kind === "anchor") this.drawCard();
  }

  isRoof(object: object): boolean {
    return this.surfaces!.planes.some((mesh) => mesh === object);
  }

  private drawCard(): void {
    const { picked, words, data } = this;
    switch (picked.kind) {
      case "segment": {
        const own = data.segments[picked.index];
        const stretch = picked.number ? data.stretches.find((s) => s.number === picked.number) : undefined;
        const segment = own && stretch ? { ...own, ...stretch.figures, breaks: stretch.breaks, from_m: stretch.from_m, to_m: stretch.to_m } : own;
        if (!segment) return this.emptyCard();
        this.card.segment(data, segment, picked.number, words, this.lines(picked.index));
        if (this.explain) {
          void this.explain(picked.index).then((lines) => {
            if (this.picked === picked && lines) this.card.segment(data, segment, picked.number, words, lines);
          });
        }
        return;
      }
      case "edge": {
        const edge = data.edges.find((e) => e.id === picked.id);
        return edge ? this.card.edge(edge, words) : this.emptyCard();
      }
      case "anchor":
        return this.card.anchor(data, picked.id, words, this.anchorTools?.(picked.id) ?? null);
      case "roof":
        return this.card.roof(data, this.cells, picked.plane, picked.map, picked.at, words);
      default:
        return this.emptyCard();
    }
  }

  private emptyCard(): void {
    this.card.empty(this.data, this.shown, this.words, (s) => this.pickShown(s, false));
  }

  private lines(index: number): string[] | null {
    const rows = this.data.explained[this.words.units][String(index)];
    return rows ? rows.map((row) => this.data.explained.lines[row]!) : null;
  }

  // --------------------------------------------------------------------------------------- picking

  pick(picked: Picked, show: boolean): void {
    this.picked = picked;
    this.drawCard();
    this.drawMarks();
    this.drawRim();
    document.querySelectorAll("tr.chosen").forEach((row) => row.classList.remove("chosen"));
    if (picked.kind === "segment") {
      document.querySelectorAll(`[data-row="stretch-${picked.number}"], [data-row="segment-${picked.index}"]`).forEach((row) => row.classList.add("chosen"));
    }
    if (show) this.stage?.element.scrollIntoView({ block: "nearest" });
  }

  private pickShown(one: Shown, show: boolean): void {
    const index = one.segment ? this.data.segments.indexOf(one.segment) : -1;
    if (index >= 0) this.pick({ kind: "segment", index, number: one.number }, show);
    else this.pick({ kind: "edge", id: one.edge }, show);
  }

  private goFinding(k: number): void {
    const finding = this.data.findings[k]!;
    const anchor = this.data.anchors.find((a) => a.id === finding.element);
    if (anchor) return this.pick({ kind: "anchor", id: anchor.id }, true);
    if (!finding.at) return;
    // the segment of that edge whose middle is nearest
    let best = -1;
    let least = Infinity;
    this.data.segments.forEach((s, index) => {
      if (s.edge !== finding.element) return;
      const away = Math.hypot(...finding.at!.map((v, c) => v - (s.ends[0][c]! + s.ends[1][c]!) / 2));
      const better = away < least - 1e-4 || (away < least + 1e-4 && finding.anchor === s.anchor);
      if (better) [best, least] = [index, Math.min(least, away)];
    });
    if (best < 0) return;
    const number = this.data.stretches.find((s) => s.segment === best)?.number ?? 0;
    this.pick({ kind: "segment", index: best, number }, true);
  }

  click(x: number, y: number): void {
    const stage = this.stage!;
    // the worst first, so that it wins where several lie under the pointer
    const order = [...this.shown].sort((a, b) => (a.number || 1e6) - (b.number || 1e6));
    const k = stage.nearest(x, y, order.map((one) => one.ends), PICK_PIXELS);
    if (k >= 0) return this.pickShown(order[k]!, false);
    const inner = this.data.edges.filter((e) => !this.shown.some((s) => s.edge === e.id));
    const pairs = inner.flatMap((e) => e.points.slice(1).map((q, n): { id: string; ends: [Point, Point] } => ({ id: e.id, ends: [e.points[n]!, q] })));
    const i = stage.nearest(x, y, pairs.map((p) => p.ends), PICK_PIXELS * 0.7);
    if (i >= 0) return this.pick({ kind: "edge", id: pairs[i]!.id }, false);
    const hit = stage.hit(x, y);
    const on = hit && this.surfaces!.planeOf(hit.object);
    if (hit && on) return this.pick({ kind: "roof", plane: on.plane, map: on.map, at: hit.point }, false);
    this.pick({ kind: "none" }, false);
  }

  private hover(x: number, y: number): void {
    const hit = this.stage!.hit(x, y);
    const on = hit && this.surfaces!.planeOf(hit.object);
    const cells = this.temporary?.cells ?? this.cells;
    if (!hit || !on || !on.map || !cells || !on.plane.grid) {
      this.readout.hidden = true;
      return;
    }
    const k = cellAt(on.plane.grid, on.map, hit.point[0], hit.point[1]);
    this.readout.hidden = k < 0;
    if (k < 0) return;
    const layer = this.layerOf(this.temporary?.layer ?? this.layer);
    const served = cells.served[k]!;
    let text = this.words.say(`layer_${layer.id}`) + ": ";
    if (layer.kind === "count") text += served ? String(served) : this.words.say("unserved");
    else {
      const value = figure(cells, layer.id, k);
      text += value === Infinity ? this.words.say("unbounded") : this.words.length(value, layer.id === "margin" ? "down" : "up");
      if (!served) text += ` (${this.words.say("unserved")})`;
    }
    this.readout.textContent = text;
  }

  /** For tests and scripts: pixels in the window of a place on the roof (local frame). */
  screen(at: Point): [number, number] {
    const box = this.stage!.canvas.getBoundingClientRect();
    const [x, y] = this.stage!.screen(at);
    return [x + box.left, y + box.top];
  }

  /** Whether a segment is one over which a fall is possible. */
  static falls(segment: Segment): boolean {
    return FALL_STATES.has(segment.state);
  }
}
