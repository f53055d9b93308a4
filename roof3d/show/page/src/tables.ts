/** Everything in words and numbers: the same findings as the picture, for reading and for screen readers. */

import { h, put } from "./dom";
import { badge, breakWords, stateWord } from "./legend";
import type { Shown } from "./edges";
import type { PageData, Segment, Stretch } from "./types";
import { DASH, type Words } from "./words";

type Cell = Node | string;

export interface Actions {
  stretch: (stretch: Stretch) => void;
  segment: (index: number) => void;
  anchor: (id: string) => void;
  finding: (index: number) => void;
}

const TABS = ["worst", "findings", "edges", "anchors", "planes", "basis", "rules", "sources"] as const;

export class Tables {
  readonly element = h("main", { class: "tables", id: "tables" });
  private live: { element: HTMLElement; units: string; body: HTMLElement; rows: LiveRow[] } | null = null;

  draw(data: PageData, words: Words, actions: Actions): void {
    if (data.unchecked) {
      put(this.element, h("p", {}, words.say("checking")));
      return;
    }
    const sections = TABS.map((name) => {
      const body = this.body(name, data, words, actions);
      return h("section", { id: name, "aria-labelledby": `${name}-title` }, h("h2", { id: `${name}-title` }, words.say(`tab_${name}`)), ...body);
    });
    const links = TABS.map((name) => h("a", { href: `#${name}` }, words.say(`tab_${name}`)));
    put(this.element, h("nav", { class: "jump", "aria-label": words.say("tab_worst") }, ...links), ...sections);
  }

  /** The worst places of a first look; all else waits for the full check. Cells that stay are left alone. */
  first(shown: Shown[], data: PageData, words: Words): void {
    if (!this.live?.element.isConnected || this.live.units !== words.units) {
      const section = h("section", { id: "worst", class: "live", "aria-labelledby": "worst-title" });
      this.live = { element: section, units: words.units, body: h("tbody", {}), rows: [] };
      const head = h("tr", {}, ...worstHeads(words).map(([text, right]) => h("th", { scope: "col", class: right ? "right" : undefined }, text)));
      const whole = h("div", { class: "wide" }, h("table", {}, h("thead", {}, head), this.live.body));
      put(section, h("h2", { id: "worst-title" }, words.say("tab_worst")), h("p", { class: "note" }, words.say("checking")), whole);
      const before = this.element.querySelector("#worst");
      if (before) before.replaceWith(section);
      else put(this.element, section);
    }
    const { rows, body } = this.live;
    const heads_ = worstHeads(words);
    const wanted = ranked(shown);
    wanted.forEach((one, k) => {
      const row = (rows[k] ??= { element: body.appendChild(h("tr", { "data-row": `stretch-${one.number}` })), shown: null, keys: [] });
      if (row.shown && same(row.shown, one)) return;
      row.shown = one;
      worstCells(one, data, words).forEach((cell, c) => {
        const key = typeof cell === "string" ? cell : cell.key;
        if (row.keys[c] === key) return;
        row.keys[c] = key;
        const td = (row.element.children[c] ?? row.element.appendChild(h("td", { class: heads_[c]![1] ? "right" : undefined }))) as HTMLElement;
        if (typeof cell === "string") td.textContent = cell;
        else put(td, cell.make());
      });
    });
    for (const row of rows.splice(wanted.length)) row.element.remove();
  }

  private body(name: (typeof TABS)[number], data: PageData, words: Words, actions: Actions): Node[] {
    switch (name) {
      case "worst":
        return [worst(data.stretches, data, words, actions.stretch)];
      case "findings":
        return [findings(data, words, actions)];
      case "edges":
        return [edges(data, words, actions)];
      case "anchors":
        return [anchors(data, words, actions)];
      case "planes":
        return [planes(data, words)];
      case "basis":
        return [
          h("h3", {}, words.say("assumptions")),
          list(data.assumptions, words),
          h("h3", {}, words.say("repairs")),
          list(data.repairs, words),
        ];
      case "rules":
        return [rules(data, words)];
      default:
        return [
          h("h3", {}, words.say("cautions")),
          list(data.cautions, words),
          h("h3", {}, words.say("sources")),
          h("dl", {}, ...data.sources.flatMap(([key, value]) => [h("dt", {}, key!), h("dd", {}, words.told(value!))])),
          h("p", { class: "note" }, words.say("licence")),
        ];
    }
  }
}

function table(heads: [string, boolean][], rows: { cells: Cell[]; pick?: () => void; data?: string }[], words: Words): HTMLElement {
  if (!rows.length) return h("p", {}, words.say("none"));
  const head = h("tr", {}, ...heads.map(([text, right]) => h("th", { scope: "col", class: right ? "right" : undefined }, text)));
  const body = rows.map(({ cells, pick, data }) => {
    const row = h("tr", { class: pick ? "pickable" : undefined, tabindex: pick ? 0 : undefined, "data-row": data });
    cells.forEach((cell, k) => row.append(h("td", { class: heads[k]![1] ? "right" : undefined }, cell)));
    if (pick) {
      row.addEventListener("click", pick);
      row.addEventListener("keydown", (event) => {
        if (event.key === "Enter" || event.key === " ") {
          event.preventDefault();
          pick();
        }
      });
    }
    return row;
  });
  return h("div", { class: "wide" }, h("table", {}, h("thead", {}, head), h("tbody", {}, ...body)));
}

function heads(words: Words, left: string[], right: string[] = [], last: string[] = []): [string, boolean][] {
  const of = (names: string[], side: boolean): [string, boolean][] => names.map((n) => [words.say(`col_${n}`), side]);
  return [...of(left, false), ...of(right, true), ...of(last, false)];
}

export function place(edge: string, kind: string, from: number, to: number, words: Words): string {
  const [start, end] = [words.length(from), words.length(to)];
  return `${words.of("kind", kind)} ${edge}, ${start === end ? start : `${start} – ${end}`}`;
}

export function figures(segment: Segment, words: Words): string[] {
  return [
    words.length(segment.clearance_required_m, "up"),
    words.length(segment.clearance_available_m, "down"),
    words.length(segment.margin_m, "down"),
    words.length(segment.free_fall_m, "up"),
    swingText(segment, words),
  ];
}

export function swingText(segment: Segment, words: Words): string {
  if (segment.swing_drop_m !== null) return words.length(segment.swing_drop_m, "up");
  return ["short", "swing", "arrest"].includes(segment.state) ? words.say("unbounded") : DASH;
}

const FIGURES = ["needs", "has", "margin", "free_fall", "swing"];

interface LiveRow {
  element: HTMLElement;
  shown: Shown | null;
  keys: string[];
}

/** A cell that is more than text; ``key``: equal where it looks the same. */
type WorstCell = string | { key: string; make: () => Node };

function worstHeads(words: Words): [string, boolean][] {
  return heads(words, ["no", "place", "anchor", "state"], FIGURES, ["meets"]);
}

function ranked<T extends Shown | Stretch>(shown: T[]): T[] {
  return shown.filter((s) => s.number > 0).sort((a, b) => a.number - b.number);
}

/** Whether two stretches read the same; what did not change since the last look is the same object. */
function same(a: Shown, b: Shown): boolean {
  return a.segment === b.segment && a.number === b.number && a.state === b.state && a.anchor === b.anchor;
}

function worstCells(s: Shown | Stretch, data: PageData, words: Words): WorstCell[] {
  const segment = typeof s.segment === "number" ? data.segments[s.segment] : s.segment;
  const kind = data.edges.find((edge) => edge.id === s.edge)?.kind ?? "";
  const broken = s.breaks.length ? `: ${breakWords(s.breaks, words)}` : "";
  return [
    { key: `${s.number} ${s.state}`, make: () => badge(s.number, data.colours.states[s.state]) },
    place(s.edge, kind, s.from_m, s.to_m, words),
    s.anchor,
    { key: s.state + broken, make: () => h("span", {}, stateWord(s.state, data.colours, words), broken) },
    ...(segment ? [...figures({ ...segment, ...s.figures }, words), words.told(segment.strikes)] : ["", "", "", "", "", ""]),
  ];
}

function worst(stretches: Stretch[], data: PageData, words: Words, pick: (stretch: Stretch) => void): HTMLElement {
  const rows = ranked(stretches).map((s) => ({
    cells: worstCells(s, data, words).map((cell): Cell => (typeof cell === "string" ? cell : cell.make())),
    pick: (): void => pick(s),
    data: `stretch-${s.number}`,
  }));
  return table(worstHeads(words), rows, words);
}

function findings(data: PageData, words: Words, actions: Actions): HTMLElement {
  const rows = data.findings.map((finding, k) => ({
    cells: [h("span", { class: `severity ${finding.severity}` }, words.of("severity", finding.severity)), words.told(finding.text)] as Cell[],
    pick: () => actions.finding(k),
    data: `finding-${k}`,
  }));
  return table(heads(words, ["severity", "finding"]), rows, words);
}

function edges(data: PageData, words: Words, actions: Actions): HTMLElement {
  const rows: { cells: Cell[]; pick?: () => void; data?: string }[] = [];
  for (const edge of data.edges) {
    const own = data.segments.map((s, k) => ({ s, k })).filter(({ s }) => s.edge === edge.id);
    if (!own.length) {
      rows.push({ cells: [edge.id, words.of("kind", edge.kind), words.length(0), words.length(edge.length_m), "", "", "", "", "", "", "", "", words.length(edge.drop_m, "down")] });
    }
    for (const { s, k } of own) {
      rows.push({
        cells: [
          edge.id,
          words.of("kind", edge.kind),
          words.length(s.from_m),
          words.length(s.to_m),
          s.anchor,
          h(
            "span",
            {},
            stateWord(s.protection && s.state === "beyond" ? "guarded" : s.state, data.colours, words),
            s.breaks.length ? `: ${breakWords(s.breaks, words)}` : "",
          ),
          words.length(s.taut_length_m, "down"),
          ...figures(s, words),
          words.length(edge.drop_m, "down"),
        ],
        pick: () => actions.segment(k),
        data: `segment-${k}`,
      });
    }
  }
  return table(heads(words, ["edge", "kind", "from", "to", "anchor", "state"], ["taut", ...FIGURES, "drop"]), rows, words);
}

function anchors(data: PageData, words: Words, actions: Actions): HTMLElement {
  const rows = data.anchors.map((a) => ({
    cells: [
      a.id,
      coordinates(a.loaded, words),
      words.length(a.line_length_m),
      words.of("policy", a.policy),
      words.area(a.served_area_m2),
      a.load_kN === null ? words.say("load_unknown") : words.force(a.load_kN, "up"),
      words.force(a.rating_kN, "down"),
      words.of("rating", a.verdict),
    ] as Cell[],
    pick: () => actions.anchor(a.id),
    data: `anchor-${a.id}`,
  }));
  return table(heads(words, ["anchor", "at", "length", "policy", "served", "load", "rating", "verdict"]), rows, words);
}

function coordinates(value: number[] | number[][], words: Words): string {
  const points = (Array.isArray(value[0]) ? value : [value]) as number[][];
  return points.map((p) => p.map((v) => words.bound(v, false)).join(", ")).join("; ");
}

function planes(data: PageData, words: Words): HTMLElement {
  const rows = data.planes.map((p) => ({
    cells: [p.id, words.pitch(p.pitch_deg), words.angle(p.azimuth_deg), words.area(p.area_m2)] as Cell[],
  }));
  return table(heads(words, ["plane"], ["pitch", "azimuth", "area"]), rows, words);
}

function rules(data: PageData, words: Words): HTMLElement {
  const rows = data.rules.entries.map((e) => ({
    cells: [
      e.name.replaceAll("_", " "),
      e.shown[words.units],
      [e.document, e.clause, e.year].filter(Boolean).join(", "),
      e.status,
      e.text ?? "",
    ] as Cell[],
  }));
  return h(
    "div",
    {},
    h("p", {}, data.rules.title || data.rules.name),
    table([...heads(words, ["name", "value", "source", "status"]), ["", false]], rows, words),
  );
}

function list(items: string[], words: Words): HTMLElement {
  return items.length ? h("ul", {}, ...items.map((item) => h("li", {}, words.told(item)))) : h("p", {}, words.say("none"));
}
