/** Drawn things that are kept from picture to picture: only what changed goes to the graphics card. */

import * as three from "three";
import { LineMaterial } from "three/examples/jsm/lines/LineMaterial.js";
import { LineSegments2 } from "three/examples/jsm/lines/LineSegments2.js";
import { LineSegmentsGeometry } from "three/examples/jsm/lines/LineSegmentsGeometry.js";
import type { Point } from "./types";

interface Thing {
  mesh: three.Mesh;
  values: number[];
  used: boolean;
}

export class Kept {
  readonly group = new three.Group();
  private readonly things = new Map<string, Thing>();
  private readonly lines_: LineMaterial[] = [];
  private readonly resolution = new three.Vector2(1, 1);
  private readonly ball = new three.SphereGeometry(1, 10, 6);

  resize(width: number, height: number): void {
    this.resolution.set(width, height);
    for (const line of this.lines_) line.resolution.copy(this.resolution);
  }

  /** One picture: what ``fill`` does not draw is hidden. */
  draw(fill: () => void): void {
    for (const thing of this.things.values()) thing.used = false;
    fill();
    for (const thing of this.things.values()) thing.mesh.visible = thing.used;
  }

  /** Lines of a width in pixels; ``name`` stands for one look alone. */
  lines(name: string, pairs: [Point, Point][], colour: string, width: number, dash: number[], order: number): void {
    const values = pairs.flatMap(([a, b]) => [...a, ...b]);
    const thing = this.thing(name, values, order, () => {
      const material = new LineMaterial({ color: new three.Color(colour), linewidth: width, dashed: dash.length > 0 });
      if (dash.length) [material.dashSize, material.gapSize] = [dash[0]!, dash[1]!];
      material.depthWrite = false; // lines over lines are a matter of order, not of depth
      material.resolution.copy(this.resolution);
      this.lines_.push(material);
      return new LineSegments2(new LineSegmentsGeometry(), material);
    });
    if (!thing) return;
    const made = thing.mesh as LineSegments2;
    made.geometry.dispose();
    made.geometry = new LineSegmentsGeometry().setPositions(values);
    if (dash.length) made.computeLineDistances();
  }

  /** Triangles in one colour, lit by nothing. */
  faces(name: string, corners: number[], colour: string, order: number, opacity = 1): void {
    const thing = this.thing(name, corners, order, () => {
      const clear = opacity < 1;
      const material = new three.MeshBasicMaterial({ color: colour, side: three.DoubleSide, transparent: clear, opacity, depthWrite: !clear, forceSinglePass: true });
      return new three.Mesh(new three.BufferGeometry(), material);
    });
    if (!thing) return;
    thing.mesh.geometry.dispose();
    thing.mesh.geometry = new three.BufferGeometry();
    thing.mesh.geometry.setAttribute("position", new three.Float32BufferAttribute(corners, 3));
  }

  /** Balls of one colour: places with radii. */
  balls(name: string, balls: [Point, number][], colour: string): void {
    const values = balls.flatMap(([at, radius]) => [...at, radius]);
    const before = this.things.get(name)?.values.length ?? 0;
    const thing = this.thing(name, values, 0, () => new three.InstancedMesh(this.ball, new three.MeshBasicMaterial({ color: colour }), balls.length));
    if (!thing) return;
    let mesh = thing.mesh as three.InstancedMesh;
    if (before && before !== values.length) {
      this.group.remove(mesh);
      mesh.dispose();
      mesh = new three.InstancedMesh(this.ball, mesh.material, balls.length);
      thing.mesh = mesh;
      this.group.add(mesh);
    }
    mesh.frustumCulled = false;
    const place = new three.Matrix4();
    balls.forEach(([at, radius], k) => mesh.setMatrixAt(k, place.makeScale(radius, radius, radius).setPosition(...at)));
    mesh.instanceMatrix.needsUpdate = true;
  }

  /** The thing of that name where it has to be filled with other values; null where nothing is to do. */
  private thing(name: string, values: number[], order: number, make: () => three.Mesh): Thing | null {
    if (!values.length) return null;
    let thing = this.things.get(name);
    if (thing) {
      thing.used = true;
      const { values: old } = thing;
      if (old.length === values.length && old.every((value, k) => value === values[k])) return null;
      thing.values = values;
      return thing;
    }
    thing = { mesh: make(), values, used: true };
    thing.mesh.renderOrder = order;
    this.things.set(name, thing);
    this.group.add(thing.mesh);
    return thing;
  }
}
