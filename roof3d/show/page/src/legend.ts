/** The legend: the map's colours and patterns, edge states with their strokes, marks; all in words. */

import type { Cells } from "./cells";
import { h, put, svg } from "./dom";
import { BACK_HATCH, HATCH, legend, LIMIT_COLUMNS, OUTSIDE, SWING_ROWS, type Paint } from "./scale";
import { type Colours, type Layer, type StateStyle } from "./types";
import type { Words } from "./words";

/** ``outside``: there is roof beside the work area; ``instead``: this map is shown though another one was chosen. */
export function mapLegend(into: HTMLElement, layer: Layer, colours: Colours, words: Words, cells: Cells | null, outside: boolean, instead = false): void {
  const rows = legend(layer, colours, words, cells, outside).flatMap((row) => [
    row.rule ? h("li", { class: "rule" }, row.rule) : null,
    h("li", {}, swatch(row, colours), h("span", {}, row.text)),
  ]);
  const note = h("p", { class: "note" }, words.say(`layer_${layer.id}_note`));
  const unit = layer.kind === "count" ? "" : words.say(`unit_${words.unit()}`);
  const title = instead ? h("p", { class: "instead" }, words.say(`layer_${layer.id}`)) : null;
  put(into, title, note, unit ? h("p", { class: "unit" }, unit) : null, h("ul", { class: "swatches" }, ...rows));
}

function swatch(paint: Paint, colours: Colours): SVGElement {
  const box = svg("svg", { width: 34, height: 16, "aria-hidden": "true" });
  box.append(svg("rect", { x: 0.5, y: 0.5, width: 33, height: 15, fill: paint.colour, stroke: colours.hair as string }));
  const line = (x1: number, y1: number, x2: number, y2: number, colour: string): void => {
    box.append(svg("line", { x1, y1, x2, y2, stroke: colour, "stroke-width": 1.3 }));
  };
  const ink = colours.hatch as string;
  if (paint.pattern === HATCH) for (let x = 2; x < 34; x += 8) line(x, 15, x + 12 > 33 ? 33 : x + 12, x + 12 > 33 ? 15 - (33 - x) * 1.2 : 1, ink);
  if (paint.pattern === BACK_HATCH) for (let x = 2; x < 26; x += 8) line(x, 1, x + 10, 15, ink);
  if (paint.pattern === OUTSIDE) for (let x = 2; x < 26; x += 8) line(x, 1, x + 10, 15, colours.soft_hatch as string);
  if (paint.pattern === SWING_ROWS) for (const y of [5, 11]) for (let x = 2; x < 30; x += 10) line(x, y, x + 6, y, colours.states.swing!.colour);
  if (paint.pattern === LIMIT_COLUMNS) for (const x of [8, 17, 26]) for (const y of [2, 9]) line(x, y, x, y + 5, colours.states.short!.colour);
  return box;
}

/** States that occur, or all of them where anchors were checked. */
export function edgeLegend(into: HTMLElement, shown: Set<string>, checked: boolean, colours: Colours, words: Words): void {
  const rows = Object.entries(colours.states)
    .filter(([state]) => shown.has(state) || (checked && state !== "unassessed" && state !== "guarded"))
    .map(([state, style]) => h("li", {}, stroke(style), h("span", {}, words.of("state", state))));
  const inner = svg("svg", { width: 48, height: 20, "aria-hidden": "true" });
  inner.append(svg("line", { x1: 2, y1: 9, x2: 46, y2: 9, stroke: colours.inner as string, "stroke-width": 1.6 }));
  put(into, ...rows, h("li", {}, inner, h("span", {}, words.say("inner"))));
}

/** An edge's stroke as it is drawn on the roof. */
export function stroke(style: StateStyle): SVGElement {
  const box = svg("svg", { width: 48, height: 20, "aria-hidden": "true" });
  const dash = style.dash.map((part) => part * 0.45).join(" ");
  const given = { x1: 2, y1: 6, x2: 46, y2: 6, stroke: style.colour, "stroke-width": style.width * 0.5 };
  box.append(svg("line", dash ? { ...given, "stroke-dasharray": dash } : given));
  const shapes: Record<string, string> = {
    tooth: "M-5 6 L5 6 L0 16 Z",
    chevron: "M-6 7 L-2 7 L0 12 L2 7 L6 7 L0 17 Z",
    bar: "M-1.3 6 h2.6 v9 h-2.6 Z",
    dot: "M0 9 l3 3 l-3 3 l-3 -3 Z",
  };
  const path = shapes[style.mark];
  if (path) {
    for (const x of style.mark === "bar" ? [8, 18, 28, 38] : [12, 34]) {
      box.append(svg("path", { d: path, transform: `translate(${x} 0)`, fill: style.colour }));
    }
  }
  return box;
}

export function badge(number: number, style: StateStyle | undefined): HTMLElement {
  const made = h("span", { class: "badge" }, String(number));
  made.style.background = style?.colour ?? "#333";
  made.style.color = style?.ink ?? "#fff";
  return made;
}

export function stateWord(state: string, colours: Colours, words: Words): HTMLElement {
  const style = colours.states[state];
  return h("span", { class: "stateword", title: words.of("state", state) }, style ? stroke(style) : null, words.of("state_name", state));
}

/** What a stretch breaks, in words. */
export function breakWords(breaks: string[], words: Words): string {
  return breaks.map((name) => words.of("limit", name)).join(", ");
}
