/** What is written over the picture: numbers of the worst places, names of anchors and edges. */

import { h } from "./dom";
import type { Shown } from "./edges";
import { badge } from "./legend";
import type { Label } from "./stage";
import type { PageData, Point } from "./types";

export const PINS = 24;

export class Pins {
  private readonly kept = new Map<string, HTMLElement>();
  private readonly pickNumber: (number: number) => void;
  private readonly pickAnchor: (id: string) => void;

  constructor(pickNumber: (number: number) => void, pickAnchor: (id: string) => void) {
    this.pickNumber = pickNumber;
    this.pickAnchor = pickAnchor;
  }

  /** Labels of a picture of a building ``size`` metres across; the same ones stay the same elements. */
  labels(data: PageData, shown: Shown[], names: boolean, size: number): Label[] {
    const labels: Label[] = [];
    const pinned = shown.filter((one) => one.number && one.number <= PINS).sort((a, b) => a.number - b.number);
    for (const one of pinned) {
      const element = this.element(`${one.number} ${one.state} ${one.edge}`, () =>
        h("button", { type: "button", class: "pin", "aria-label": `${one.number}: ${one.edge}`, click: () => this.pickNumber(one.number) }, badge(one.number, data.colours.states[one.state])),
      );
      const out = size / 28;
      const at = one.ends[0].map((v, c) => (v + one.ends[1][c]!) / 2 + (c < 2 ? one.outward[c as 0 | 1] * out : 0)) as Point;
      labels.push({ at, element });
    }
    for (const anchor of data.anchors) {
      const top = anchor.points[0]!;
      const element = this.element(`anchor ${anchor.id}`, () =>
        h("button", { type: "button", class: "pin anchorpin", "data-anchor": anchor.id, click: () => this.pickAnchor(anchor.id) }, h("span", {}, anchor.id)),
      );
      labels.push({ at: [top[0], top[1], top[2] + size / 60], element, always: true });
    }
    for (const edge of names ? data.edges : []) {
      const [a, b] = [edge.points[0]!, edge.points[edge.points.length - 1]!];
      const element = this.element(`edge ${edge.id}`, () => h("span", { class: "pin edgename" }, edge.id));
      labels.push({ at: a.map((v, c) => (v + b[c]!) / 2) as Point, element });
    }
    return labels;
  }

  private element(key: string, make: () => HTMLElement): HTMLElement {
    let known = this.kept.get(key);
    if (!known) this.kept.set(key, (known = make()));
    return known;
  }
}
