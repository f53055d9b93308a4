/** All fall edges unrolled side by side: the height needed hangs against the height there is. */

import { h, put, svg } from "./dom";
import type { Shown } from "./edges";
import { FALL_STATES, type Colours, type Edge } from "./types";
import type { Words } from "./words";

const TOP = 22;
const DEEP = 66;
const MOST_GAP = 10;

const WIDTH = 1400;

interface Drawn {
  key: string;
  group: SVGElement;
}

export class Rim {
  readonly element = h("section", { class: "rim" });
  private frame = "";
  private board: SVGElement = svg("svg");
  private drawn = new Map<string, Drawn>();
  private shown: Shown[] = [];
  private pick: (one: Shown) => void = () => {};

  /** Edges that look as they did are left as they are. */
  draw(shown: Shown[], edges: Edge[], colours: Colours, words: Words, pick: (one: Shown) => void, picked: Shown | null): void {
    this.shown = shown;
    this.pick = pick;
    const falls = edges.filter((edge) => edge.fall || shown.some((one) => one.edge === edge.id));
    const total = falls.reduce((sum, edge) => sum + (edge.length_m ?? 0), 0);
    const most = Math.max(1, ...shown.map((one) => one.segment?.clearance_required_m ?? 0));
    const gap = Math.min(MOST_GAP, (0.25 * WIDTH) / (falls.length + 1));
    const along = (WIDTH - gap * (falls.length + 1)) / Math.max(total, 0.01);
    this.lay(falls, gap, along, words);
    const own = new Map<string, Shown[]>();
    for (const one of shown) {
      const known = own.get(one.edge);
      if (known) known.push(one);
      else own.set(one.edge, [one]);
    }
    let x = gap;
    for (const edge of falls) {
      const pieces = own.get(edge.id) ?? [];
      const figures = pieces.map((one) => [one.state, one.from_m, one.to_m, one.segment?.clearance_required_m, one.segment?.clearance_available_m, one === picked]);
      const key = JSON.stringify([x, along, most, figures]);
      const before = this.drawn.get(edge.id);
      if (before?.key !== key) {
        const group = svg("g", {}, svg("line", { x1: x, y1: TOP, x2: x + (edge.length_m ?? 0) * along, y2: TOP, stroke: colours.ink as string, "stroke-width": 1, "vector-effect": "non-scaling-stroke" }));
        const text = words.say("rim_edge", { kind: words.of("kind", edge.kind), edge: edge.id });
        pieces.forEach((one, k) => group.append(this.piece(one, k, x, along, most, text, colours, words, one === picked)));
        if (before) before.group.replaceWith(group);
        else this.board.append(group);
        this.drawn.set(edge.id, { key, group });
      }
      x += (edge.length_m ?? 0) * along + gap;
    }
  }

  /** The board with the names over it, anew where edges or words are others. */
  private lay(falls: Edge[], gap: number, along: number, words: Words): void {
    const frame = JSON.stringify([falls.map((edge) => [edge.id, edge.length_m]), words.say("rim")]);
    if (frame === this.frame) return;
    this.frame = frame;
    this.drawn.clear();
    this.board = svg("svg", { viewBox: `0 0 ${WIDTH} ${TOP + DEEP + 4}`, preserveAspectRatio: "none", role: "group", "aria-label": words.say("rim") });
    let x = gap;
    const names = falls.map((edge) => {
      const size = (edge.length_m ?? 0) * along;
      const text = words.say("rim_edge", { kind: words.of("kind", edge.kind), edge: edge.id });
      const name = h("span", { class: "rimname" }, size > 70 ? text : size > 24 ? edge.id : "");
      name.style.left = `${(x / WIDTH) * 100}%`;
      name.style.maxWidth = `${((size + gap) / WIDTH) * 100}%`;
      x += size + gap;
      return name;
    });
    put(this.element, h("p", { class: "note" }, words.say("rim")), h("div", { class: "rimnames" }, ...names), this.board as unknown as HTMLElement);
  }

  /** One stretch; ``k``: which of its edge. */
  private piece(one: Shown, k: number, x: number, along: number, most: number, text: string, colours: Colours, words: Words, picked: boolean): SVGElement {
    const deep = (value: number): number => (Math.min(Math.max(value, 0), most * 1.12) / most) * (DEEP / 1.12);
    const left = x + one.from_m * along;
    const wide = Math.max(1.5, (one.to_m - one.from_m) * along);
    const pick = (): void => {
      const now = this.shown.filter((other) => other.edge === one.edge)[k];
      if (now) this.pick(now);
    };
    const group = svg("g", { class: picked ? "picked" : undefined, click: pick });
    group.append(svg("title", {}, `${text}: ${words.of("state", one.state)}`));
    const needs = one.segment?.clearance_required_m ?? 0;
    const room = one.segment?.clearance_available_m;
    const fall = FALL_STATES.has(one.state);
    group.append(svg("rect", { x: left, y: TOP - 8, width: wide, height: fall ? 8 + deep(needs) : 14, fill: colours.states[one.state]!.colour, opacity: fall ? 1 : 0.75 }));
    if (fall && room !== null && room !== undefined) {
      const y = TOP + deep(room);
      group.append(svg("rect", { x: left, y: TOP, width: wide, height: Math.max(0, deep(Math.min(room, needs))), fill: "#ffffff", opacity: 0.55 }));
      group.append(svg("line", { x1: left, y1: y, x2: left + wide, y2: y, stroke: colours.ink as string, "stroke-width": 2.5, "vector-effect": "non-scaling-stroke" }));
    }
    // something to hit, whatever its size
    group.append(svg("rect", { x: left, y: 0, width: wide, height: TOP + DEEP, fill: "transparent" }));
    return group;
  }
}
