/** All fall edges unrolled side by side: the height needed hangs against the height there is. */

import { h, put, svg } from "./dom";
import type { Shown } from "./edges";
import { FALL_STATES, type Colours, type Edge } from "./types";
import type { Words } from "./words";

const TOP = 22;
const DEEP = 66;
const MOST_GAP = 10;

export class Rim {
  readonly element = h("section", { class: "rim" });

  draw(shown: Shown[], edges: Edge[], colours: Colours, words: Words, pick: (index: number) => void, picked: number): void {
    const falls = edges.filter((edge) => edge.fall || shown.some((one) => one.edge === edge.id));
    const total = falls.reduce((sum, edge) => sum + (edge.length_m ?? 0), 0);
    const needed = shown.map((one) => one.segment?.clearance_required_m ?? 0);
    const most = Math.max(1, ...needed);
    const width = 1400;
    const gap = Math.min(MOST_GAP, (0.25 * width) / (falls.length + 1));
    const along = (width - gap * (falls.length + 1)) / Math.max(total, 0.01);
    const deep = (value: number): number => (Math.min(Math.max(value, 0), most * 1.12) / most) * (DEEP / 1.12);
    const board = svg("svg", { viewBox: `0 0 ${width} ${TOP + DEEP + 4}`, preserveAspectRatio: "none", role: "group", "aria-label": words.say("rim") });
    const names: HTMLElement[] = [];
    let x = gap;
    for (const edge of falls) {
      const size = (edge.length_m ?? 0) * along;
      const text = words.say("rim_edge", { kind: words.of("kind", edge.kind), edge: edge.id });
      const name = h("span", { class: "rimname" }, size > 70 ? text : size > 24 ? edge.id : "");
      name.style.left = `${(x / width) * 100}%`;
      name.style.maxWidth = `${((size + gap) / width) * 100}%`;
      names.push(name);
      board.append(svg("line", { x1: x, y1: TOP, x2: x + size, y2: TOP, stroke: colours.ink as string, "stroke-width": 1, "vector-effect": "non-scaling-stroke" }));
      shown.forEach((one, index) => {
        if (one.edge !== edge.id) return;
        const style = colours.states[one.state]!;
        const { from_m: from, to_m: to } = one;
        const left = x + from * along;
        const wide = Math.max(1.5, (to - from) * along);
        const group = svg("g", {
          class: index === picked ? "picked" : undefined,
          click: () => pick(index),
        });
        const say = `${text}: ${words.of("state", one.state)}`;
        group.append(svg("title", {}, say));
        const needs = one.segment?.clearance_required_m ?? 0;
        const room = one.segment?.clearance_available_m;
        const fall = FALL_STATES.has(one.state);
        group.append(svg("rect", { x: left, y: TOP - 8, width: wide, height: fall ? 8 + deep(needs) : 14, fill: style.colour, opacity: fall ? 1 : 0.75 }));
        if (fall && room !== null && room !== undefined) {
          const y = TOP + deep(room);
          group.append(svg("rect", { x: left, y: TOP, width: wide, height: Math.max(0, deep(Math.min(room, needs))), fill: "#ffffff", opacity: 0.55 }));
          group.append(svg("line", { x1: left, y1: y, x2: left + wide, y2: y, stroke: colours.ink as string, "stroke-width": 2.5, "vector-effect": "non-scaling-stroke" }));
        }
        // something to hit, whatever its size
        group.append(svg("rect", { x: left, y: 0, width: wide, height: TOP + DEEP, fill: "transparent" }));
        board.append(group);
      });
      x += size + gap;
    }
    put(this.element, h("p", { class: "note" }, words.say("rim")), h("div", { class: "rimnames" }, ...names), board as unknown as HTMLElement);
  }
}
