/** The card: what was picked, its figures as a sum that can be read, and how they add up in full. */

import { cellAt, figure, type Cells } from "./cells";
import { h, put } from "./dom";
import { badge, breakWords, stateWord } from "./legend";
import type { Shown } from "./edges";
import { place, swingText } from "./tables";
import { STATES, type Edge, type PageData, type Plane, type Point, type Segment } from "./types";
import type { Words } from "./words";

const MOST = 10;

export class Card {
  readonly element = h("section", { class: "card", "aria-live": "polite" });

  /** With nothing picked: the worst places, to start from. */
  empty(data: PageData, shown: Shown[], words: Words, pick: (one: Shown) => void): void {
    const kinds = new Map(data.edges.map((edge) => [edge.id, edge.kind]));
    const worst = shown.filter((s) => s.number > 0).sort((a, b) => a.number - b.number);
    const rows = worst.slice(0, MOST).map((s) => {
      return h(
        "button",
        { type: "button", class: "worstrow", click: () => pick(s) },
        badge(s.number, data.colours.states[s.state]),
        h("span", {}, place(s.edge, kinds.get(s.edge) ?? "", s.from_m, s.to_m, words)),
        h("span", { class: "note" }, `${s.breaks.length ? breakWords(s.breaks, words) : words.of("state_name", s.state)}; `, h("span", { class: "figure" }, `${words.say("col_margin")} ${words.length((s.figures ?? s.segment)?.margin_m, "down")}`)),
      );
    });
    put(
      this.element,
      h("h2", {}, words.say("tab_worst")),
      h("p", { class: "note" }, words.say("picked_none")),
      ...(rows.length ? rows : [h("p", {}, words.say(data.unchecked ? "checking" : data.anchors.length ? "none_possible" : "no_anchors"))]),
    );
  }

  segment(data: PageData, segment: Segment, number: number, words: Words, lines: string[] | null): void {
    const edge = data.edges.find((e) => e.id === segment.edge);
    const rows: [string, string, string][] = [
      ["taut", words.length(segment.taut_length_m, "down"), ""],
      ["surplus", words.length(segment.surplus_m, "up"), ""],
      ["free_fall", words.length(segment.free_fall_m, "up"), ""],
      ["swing", swingText(segment, words), segment.swing_angle_deg === null ? "" : words.angle(segment.swing_angle_deg)],
      ["needs", words.length(segment.clearance_required_m, "up"), ""],
      ["has", words.length(segment.clearance_available_m, "down"), words.told(segment.strikes)],
      ["margin", words.length(segment.margin_m, "down"), ""],
    ];
    put(
      this.element,
      h(
        "h2",
        {},
        number ? badge(number, data.colours.states[segment.state]) : null,
        `${words.of("kind", edge?.kind ?? "")} ${segment.edge}`,
      ),
      h("p", {}, `${words.length(segment.from_m)} – ${words.length(segment.to_m)}, ${words.say("anchor")} ${segment.anchor}`),
      h("p", { class: "state" }, stateWord(segment.state, data.colours, words), " ", words.of("state", segment.state)),
      segment.breaks.length ? h("p", {}, `${words.say("broken")}: `, h("b", {}, breakWords(segment.breaks, words))) : null,
      h(
        "table",
        { class: "figures" },
        h(
          "tbody",
          {},
          ...rows.map(([key, value, more]) =>
            h("tr", { class: key }, h("th", { scope: "row" }, words.say(`col_${key}`)), h("td", { class: "right" }, value), h("td", { class: "note" }, more)),
          ),
        ),
      ),
      segment.protection ? h("p", {}, `${words.say("guarded_by")} ${segment.protection}`) : null,
      segment.doubt ? h("p", { class: "doubt" }, `${words.say("doubt")}: ${words.told(segment.doubt)}`) : null,
      h("h3", {}, words.say("explain")),
      lines ? h("pre", { class: "sums" }, lines.join("\n")) : h("p", { class: "note" }, words.say("explain_none")),
    );
  }

  edge(edge: Edge, words: Words): void {
    put(
      this.element,
      h("h2", {}, `${words.of("kind", edge.kind)} ${edge.id}`),
      h("p", {}, `${words.say("col_length")} ${words.length(edge.length_m)}${edge.drop_m === null ? "" : `, ${words.say("col_drop")} ${words.length(edge.drop_m, "down")}`}`),
      edge.doubt ? h("p", { class: "doubt" }, `${words.say("doubt")}: ${words.told(edge.doubt)}`) : null,
    );
  }

  anchor(data: PageData, id: string, words: Words, more: HTMLElement | null): void {
    const a = data.anchors.find((one) => one.id === id);
    if (!a) return;
    const row = (key: string, value: string): HTMLElement => h("tr", {}, h("th", { scope: "row" }, words.say(`col_${key}`)), h("td", { class: "right" }, value));
    put(
      this.element,
      h("h2", {}, `${words.say("anchor")} ${a.id}`),
      h(
        "table",
        { class: "figures" },
        h(
          "tbody",
          {},
          row("length", words.length(a.line_length_m)),
          row("policy", words.of("policy", a.policy)),
          row("served", words.area(a.served_area_m2)),
          row("load", a.load_kN === null ? words.say("load_unknown") : words.force(a.load_kN, "up")),
          row("rating", words.force(a.rating_kN, "down")),
          row("verdict", words.of("rating", a.verdict)),
        ),
      ),
      more,
    );
  }

  /** What every layer says of one place on a plane. */
  roof(data: PageData, cells: Cells | null, plane: Plane, map: Int32Array | null, at: Point, words: Words): void {
    const k = cells && map && plane.grid ? cellAt(plane.grid, map, at[0], at[1]) : -1;
    const rows: [string, string][] = [
      ["col_pitch", words.pitch(plane.pitch_deg)],
      ["col_at", at.map((v, c) => words.bound(v + data.origin[c]!, false)).join(", ")],
    ];
    let state: HTMLElement | null = h("p", {}, words.say("outside"));
    if (cells && k >= 0) {
      const name = STATES[cells.state[k]!];
      const shown = (key: string, direction: "up" | "down"): string => {
        const value = figure(cells, key, k);
        return value === Infinity ? words.say("unbounded") : words.length(value, direction);
      };
      const served = cells.served[k]!;
      state = h("p", { class: "state" }, name ? stateWord(name, data.colours, words) : words.say("unsure"));
      rows.push(
        ["layer_margin", figure(cells, "margin", k) === Infinity ? words.say("unbounded") : shown("margin", "down")],
        ["layer_taut", shown("taut", "up")],
        ["layer_free_fall", shown("free_fall", "up")],
        ["layer_swing", shown("swing", "up")],
        ["layer_served", served ? String(served) : words.say("unserved")],
      );
    }
    put(
      this.element,
      h("h2", {}, words.say("picked_roof", { plane: plane.id })),
      state,
      h("table", { class: "figures" }, h("tbody", {}, ...rows.map(([key, value]) => h("tr", {}, h("th", { scope: "row" }, words.say(key)), h("td", { class: "right" }, value))))),
    );
  }
}
