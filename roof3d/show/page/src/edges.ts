/** Edges by state (width, dash, mark and colour), strips of needed height below them, ropes, anchors. */

import * as three from "three";
import { Kept } from "./kept";
import { DRAWN, FALL_STATES, type Anchor, type Colours, type Edge, type Point, type Segment, type StateStyle } from "./types";

export interface Shown {
  edge: string;
  ends: [Point, Point];
  outward: [number, number];
  state: string;
  segment: Segment | null;
  from_m: number;
  to_m: number;
  number: number;
  anchor: string;
  breaks: string[];
  figures: Partial<Segment> | null; // the worst in the stretch, where they differ from its segment's
}

const PIXELS = 0.55; // of a style's width
const AWAY = 0.03; // m, strips hang this far outside the edge

export class Edges {
  readonly group = new three.Group();
  private readonly strokes = new Kept();
  private readonly curtains = new Kept();
  private readonly unit: number;
  private readonly colours: Colours;

  constructor(colours: Colours, size: number) {
    this.colours = colours;
    this.unit = size / 1250;
    this.group.add(this.strokes.group, this.curtains.group);
  }

  resize(width: number, height: number): void {
    this.strokes.resize(width, height);
    this.curtains.resize(width, height);
  }

  showCurtains(shown: boolean): void {
    this.curtains.group.visible = shown;
  }

  draw(shown: Shown[], inner: Edge[]): void {
    const of = (state: string): Shown[] => shown.filter((one) => one.state === state);
    this.strokes.draw(() => {
      const pairs = inner.flatMap((edge) => edge.points.slice(1).map((q, k): [Point, Point] => [edge.points[k]!, q]));
      this.strokes.lines("inner", pairs, this.colours.inner as string, 1.6, [], 1);
      DRAWN.forEach((state, order) => {
        const style = this.colours.states[state]!;
        const dash = style.dash.map((part) => part * this.unit);
        this.strokes.lines(`line ${state}`, of(state).map((one) => one.ends), style.colour, style.width * PIXELS, dash, 2 + order);
        this.strokes.faces(`marks ${state}`, this.marks(of(state), style), style.colour, 2 + order);
      });
    });
    this.curtains.draw(() => {
      for (const state of FALL_STATES) this.addCurtains(state, of(state), this.colours.states[state]!);
    });
  }

  /** Teeth, chevrons, bars or dots that point away from the roof. */
  private marks(shown: Shown[], style: StateStyle): number[] {
    const corners: number[] = [];
    if (!style.mark) return corners;
    const every = style.every * this.unit * 1.3;
    const tall = 19 * this.unit;
    for (const { ends, outward } of shown) {
      const a = new three.Vector3(...ends[0]);
      const way = new three.Vector3(...ends[1]).sub(a);
      const length = way.length();
      if (length < 1e-6) continue;
      way.divideScalar(length);
      const out = new three.Vector3(outward[0], outward[1], 0);
      const count = Math.max(1, Math.round(length / every));
      for (let k = 0; k < count; k++) {
        const at = a.clone().addScaledVector(way, ((k + 0.5) * length) / count);
        const place = (along: number, off: number): number[] =>
          at.clone().addScaledVector(way, along * tall).addScaledVector(out, off * tall).toArray();
        const three_ = (...points: [number, number][]): void => {
          for (const [u, v] of points) corners.push(...place(u, v));
        };
        if (style.mark === "tooth") three_([-0.55, 0], [0.55, 0], [0, 1.05]);
        else if (style.mark === "chevron") {
          three_([-0.6, 0], [-0.2, 0], [0, 1], [-0.2, 0], [0, 0.5], [0, 1]);
          three_([0.6, 0], [0.2, 0], [0, 1], [0.2, 0], [0, 0.5], [0, 1]);
        } else if (style.mark === "bar") three_([-0.13, 0], [0.13, 0], [0.13, 0.8], [-0.13, 0], [0.13, 0.8], [-0.13, 0.8]);
        else three_([0, 0.2], [0.3, 0.5], [0, 0.8], [0, 0.2], [-0.3, 0.5], [0, 0.8]);
      }
    }
    return corners;
  }

  /** Strips as deep as the height needed; a thick line where the room ends. */
  private addCurtains(state: string, shown: Shown[], style: StateStyle): void {
    const room_: number[] = [];
    const lacking: number[] = [];
    const ends: [Point, Point][] = [];
    for (const one of shown) {
      const needed = one.segment?.clearance_required_m;
      const room = one.segment?.clearance_available_m;
      if (!needed || needed <= 0) continue;
      const [a, b] = one.ends.map((p): Point => [p[0] + one.outward[0] * AWAY, p[1] + one.outward[1] * AWAY, p[2]]) as [Point, Point];
      const lower = (p: Point, by: number): Point => [p[0], p[1], p[2] - by];
      const quad = (into: number[], top: number, bottom: number): void => {
        const [p, q, r, s] = [lower(a, top), lower(b, top), lower(b, bottom), lower(a, bottom)];
        into.push(...p, ...q, ...r, ...p, ...r, ...s);
      };
      const end = room === null || room === undefined ? needed : Math.min(needed, Math.max(0, room));
      if (end > 0) quad(room_, 0, end);
      if (end < needed) quad(lacking, end, needed);
      if (room !== null && room !== undefined && room > 0) ends.push([lower(a, room), lower(b, room)]);
    }
    this.curtains.faces(`room ${state}`, room_, style.colour, 0, 0.2);
    this.curtains.faces(`lacking ${state}`, lacking, style.colour, 0, 0.62);
    this.curtains.lines(`ends ${state}`, ends, this.colours.ink as string, 2.4, [], 12);
  }
}

/** Anchors and anchor lines, and the rope and edge that are picked. */
export class Marks {
  private readonly kept = new Kept();
  readonly group = this.kept.group;
  private readonly colours: Colours;
  private readonly radius: number;

  constructor(colours: Colours, size: number) {
    this.colours = colours;
    this.radius = Math.min(0.28, Math.max(0.09, size / 110));
  }

  resize(width: number, height: number): void {
    this.kept.resize(width, height);
  }

  draw(anchors: Anchor[], rope: Point[] | null, rest: Point | null, picked: [Point, Point][], extra: Point[]): void {
    const { kept, radius } = this;
    const [ink, paper, anchor_, rope_] = ["ink", "paper", "anchor", "rope"].map((name) => this.colours[name] as string) as [string, string, string, string];
    const along = (points: Point[]): [Point, Point][] => points.slice(1).map((q, k): [Point, Point] => [points[k]!, q]);
    kept.draw(() => {
      const lines = anchors.filter((anchor) => anchor.kind === "line").flatMap((anchor) => along(anchor.lies ?? anchor.points));
      kept.lines("line rim", lines, paper, 7, [], 20);
      kept.lines("line", lines, anchor_, 4, [], 21);
      const points = anchors.flatMap((anchor) => anchor.points);
      const over = (by: number, size: number): [Point, number][] => points.map((p): [Point, number] => [[p[0], p[1], p[2] + by * radius], size * radius]);
      kept.balls("foot", [...over(0, 1), ...over(0.95, 0.48)], anchor_);
      kept.balls("ring", over(0.55, 0.72), paper);
      kept.lines("rope", along(rope ?? []), rope_, 2.6, [radius, radius], 22);
      kept.balls("rest", rest ? [[rest, radius * 0.6]] : [], rope_);
      kept.lines("picked", picked, ink, 3, [], 30);
      kept.lines("extra", along(extra), ink, 2, [radius, radius], 31);
      kept.balls("extra balls", extra.map((p): [Point, number] => [p, radius * 0.5]), ink);
    });
  }
}
