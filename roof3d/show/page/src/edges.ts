/** Edges by state (width, dash, mark and colour), strips of needed height below them, ropes, anchors. */

import * as three from "three";
import { LineMaterial } from "three/examples/jsm/lines/LineMaterial.js";
import { LineSegments2 } from "three/examples/jsm/lines/LineSegments2.js";
import { LineSegmentsGeometry } from "three/examples/jsm/lines/LineSegmentsGeometry.js";
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
  private lines: LineMaterial[] = [];
  private curtains = new three.Group();
  private readonly unit: number;
  private readonly colours: Colours;
  private readonly resolution = new three.Vector2(1, 1);

  constructor(colours: Colours, size: number) {
    this.colours = colours;
    this.unit = size / 1250;
  }

  resize(width: number, height: number): void {
    this.resolution.set(width, height);
    for (const line of this.lines) line.resolution.copy(this.resolution);
  }

  showCurtains(shown: boolean): void {
    this.curtains.visible = shown;
  }

  draw(shown: Shown[], inner: Edge[]): void {
    const visible = this.curtains.visible;
    this.clear();
    this.curtains = new three.Group();
    this.curtains.visible = visible;
    this.group.add(this.curtains);
    const pairs = inner.flatMap((edge) => edge.points.slice(1).map((q, k): [Point, Point] => [edge.points[k]!, q]));
    this.addLines(pairs, this.colours.inner as string, 1.6, [], 1);
    DRAWN.forEach((state, order) => {
      const own = shown.filter((one) => one.state === state);
      if (!own.length) return;
      const style = this.colours.states[state]!;
      const dash = style.dash.map((part) => part * this.unit);
      this.addLines(own.map((one) => one.ends), style.colour, style.width * PIXELS, dash, 2 + order);
      this.addMarks(own, style, 2 + order);
      if (FALL_STATES.has(state)) this.addCurtains(own, style);
    });
  }

  addLines(pairs: [Point, Point][], colour: string, width: number, dash: number[], order: number, into: three.Group = this.group): void {
    if (!pairs.length) return;
    const geometry = new LineSegmentsGeometry();
    geometry.setPositions(pairs.flatMap(([a, b]) => [...a, ...b]));
    const material = new LineMaterial({ color: new three.Color(colour), linewidth: width, dashed: dash.length > 0 });
    if (dash.length) {
      material.dashSize = dash[0]!;
      material.gapSize = dash[1]!;
    }
    material.resolution.copy(this.resolution);
    this.lines.push(material);
    const made = new LineSegments2(geometry, material);
    if (dash.length) made.computeLineDistances();
    made.renderOrder = order;
    into.add(made);
  }

  private clear(): void {
    this.lines = [];
    dispose(this.group);
  }

  /** Teeth, chevrons, bars or dots that point away from the roof. */
  private addMarks(shown: Shown[], style: StateStyle, order: number): void {
    if (!style.mark) return;
    const corners: number[] = [];
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
    const geometry = new three.BufferGeometry();
    geometry.setAttribute("position", new three.Float32BufferAttribute(corners, 3));
    const mesh = new three.Mesh(geometry, new three.MeshBasicMaterial({ color: style.colour, side: three.DoubleSide }));
    mesh.renderOrder = order;
    this.group.add(mesh);
  }

  /** Strips as deep as the height needed; a thick line where the room ends. */
  private addCurtains(shown: Shown[], style: StateStyle): void {
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
    this.addStrips(room_, style.colour, 0.2);
    this.addStrips(lacking, style.colour, 0.62);
    this.addLines(ends, this.colours.ink as string, 2.4, [], 12, this.curtains);
  }

  private addStrips(corners: number[], colour: string, opacity: number): void {
    if (!corners.length) return;
    const geometry = new three.BufferGeometry();
    geometry.setAttribute("position", new three.Float32BufferAttribute(corners, 3));
    const material = new three.MeshBasicMaterial({ color: colour, side: three.DoubleSide, transparent: true, opacity, depthWrite: false });
    this.curtains.add(new three.Mesh(geometry, material));
  }
}

/** Takes everything out of a group, and what it holds on the graphics card with it. */
function dispose(group: three.Group): void {
  group.traverse((node) => {
    const mesh = node as three.Mesh;
    mesh.geometry?.dispose();
    (mesh.material as three.Material | undefined)?.dispose();
    if (node instanceof three.InstancedMesh) node.dispose();
  });
  group.clear();
}

/** Anchors and anchor lines, and the rope and edge that are picked. */
export class Marks {
  readonly group = new three.Group();
  private readonly edges: Edges;
  private readonly colours: Colours;
  private readonly radius: number;
  private readonly balls = new Map<string, [Point, number][]>();

  constructor(edges: Edges, colours: Colours, size: number) {
    this.edges = edges;
    this.colours = colours;
    this.radius = Math.min(0.28, Math.max(0.09, size / 110));
  }

  draw(anchors: Anchor[], rope: Point[] | null, rest: Point | null, picked: [Point, Point][], extra: Point[]): void {
    dispose(this.group);
    this.balls.clear();
    const ink = this.colours.anchor as string;
    for (const anchor of anchors) {
      if (anchor.kind === "line") {
        const pairs = anchor.points.slice(1).map((q, k): [Point, Point] => [anchor.points[k]!, q]);
        this.edges.addLines(pairs, this.colours.paper as string, 7, [], 20, this.group);
        this.edges.addLines(pairs, ink, 4, [], 21, this.group);
      }
      for (const point of anchor.points) {
        this.ball(point, this.radius, ink);
        this.ball([point[0], point[1], point[2] + this.radius * 0.55], this.radius * 0.72, this.colours.paper as string);
        this.ball([point[0], point[1], point[2] + this.radius * 0.95], this.radius * 0.48, ink);
      }
    }
    if (rope) {
      const pairs = rope.slice(1).map((q, k): [Point, Point] => [rope[k]!, q]);
      this.edges.addLines(pairs, this.colours.rope as string, 2.6, [this.radius, this.radius], 22, this.group);
    }
    if (rest) this.ball(rest, this.radius * 0.6, this.colours.rope as string);
    this.edges.addLines(picked, this.colours.ink as string, 3, [], 30, this.group);
    const pairs = extra.slice(1).map((q, k): [Point, Point] => [extra[k]!, q]);
    this.edges.addLines(pairs, this.colours.ink as string, 2, [this.radius, this.radius], 31, this.group);
    for (const point of extra) this.ball(point, this.radius * 0.5, this.colours.ink as string);
    this.addBalls();
  }

  private ball(at: Point, radius: number, colour: string): void {
    const known = this.balls.get(colour);
    if (known) known.push([at, radius]);
    else this.balls.set(colour, [[at, radius]]);
  }

  /** All balls of a colour as one, for quick drawing. */
  private addBalls(): void {
    const place = new three.Matrix4();
    for (const [colour, balls] of this.balls) {
      const mesh = new three.InstancedMesh(new three.SphereGeometry(1, 12, 8), new three.MeshBasicMaterial({ color: colour }), balls.length);
      balls.forEach(([at, radius], k) => mesh.setMatrixAt(k, place.makeScale(radius, radius, radius).setPosition(...at)));
      mesh.frustumCulled = false;
      this.group.add(mesh);
    }
  }
}
