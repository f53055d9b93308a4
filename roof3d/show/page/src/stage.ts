/** The stage: camera, drawing on demand, labels over the picture, and what lies under the pointer. */

import * as three from "three";
import { OrbitControls } from "three/examples/jsm/controls/OrbitControls.js";
import { h } from "./dom";
import type { Point } from "./types";

const FILL = 0.88; // of half the stage
const CROWDED = 19; // pixels; of labels closer than this the first one is shown
const SLOW_MS = 40; // a picture that takes longer is drawn with fewer pixels while something moves
const COARSE = 0.5;
const FINE = 1.5; // without smoothing of its own the card gets more pixels at rest

export interface Label {
  at: Point;
  element: HTMLElement;
  always?: boolean;
}

export class Stage {
  readonly element: HTMLElement;
  readonly scene = new three.Scene();
  readonly camera = new three.PerspectiveCamera(32, 1, 0.1, 5000);
  readonly controls: OrbitControls;
  solid: three.Object3D[] = [];
  /** What must be seen as a whole. */
  fit: Point[] = [];
  onResize: (width: number, height: number) => void = () => {};
  private readonly renderer: three.WebGLRenderer;
  private readonly overlay = h("div", { class: "labels" });
  private labels: Label[] = [];
  private wanted = false;
  private drawing = false; // the graphics card has not finished the last picture
  private settle = 0;
  private moving = false;
  private turning = false;
  private readonly smooth: boolean;
  private width = 1; // asking the page for it lays the whole page out anew
  private height = 1;
  private finished: (() => void)[] = [];
  /** This machine draws slowly, most often because it has no graphics card. */
  slow: boolean;
  private readonly middle: three.Vector3;
  private readonly size: number;

  /** ``keep``: pictures stay after they were shown, so that they can be printed. Throws where the browser draws no 3D. */
  constructor(middle: Point, size: number, text: string, keep: boolean) {
    this.middle = new three.Vector3(...middle);
    this.size = size;
    // smoothing is chosen once for all; in software it costs as much as all the rest
    this.smooth = hasCard();
    this.slow = !this.smooth;
    this.renderer = new three.WebGLRenderer({ antialias: this.smooth, preserveDrawingBuffer: keep });
    this.renderer.setPixelRatio(this.ratio());
    this.renderer.setClearColor(0xffffff, 0);
    const canvas = this.renderer.domElement;
    canvas.tabIndex = 0;
    canvas.setAttribute("role", "img");
    canvas.setAttribute("aria-label", text);
    this.element = h("div", { class: "stage" }, canvas, this.overlay);
    this.camera.up.set(0, 0, 1);
    this.camera.near = size / 200;
    this.camera.far = size * 40;
    this.scene.add(new three.AmbientLight(0xffffff, 2.1));
    const sun = new three.DirectionalLight(0xffffff, 1.4);
    sun.position.set(0.4, -0.7, 1);
    this.scene.add(sun);
    this.controls = new OrbitControls(this.camera, canvas);
    this.controls.enableDamping = false;
    this.controls.maxPolarAngle = Math.PI * 0.55;
    this.controls.minDistance = size / 20;
    this.controls.maxDistance = size * 6;
    this.controls.addEventListener("change", () => this.ask());
    this.controls.addEventListener("start", () => this.turn_(true));
    this.controls.addEventListener("end", () => this.turn_(false));
    canvas.addEventListener("keydown", (event) => this.key(event));
    new ResizeObserver(() => this.resize()).observe(this.element);
  }

  get canvas(): HTMLCanvasElement {
    return this.renderer.domElement;
  }

  /** Looks at the roof from a compass bearing and an angle above the horizon, degrees. */
  look(bearing: number, above: number): void {
    const b = (bearing * Math.PI) / 180;
    const e = (Math.min(above, 89.9) * Math.PI) / 180;
    const way = new three.Vector3(Math.sin(b) * Math.cos(e), Math.cos(b) * Math.cos(e), Math.sin(e));
    this.controls.target.copy(this.middle);
    // as near as everything that must be seen allows
    let near = this.size / 10;
    let far = this.size * 5;
    for (let k = 0; k < 24; k++) {
      const distance = (near + far) / 2;
      this.camera.position.copy(this.middle).addScaledVector(way, distance);
      this.camera.lookAt(this.middle);
      this.camera.updateMatrixWorld();
      const inside = this.fit.every((at) => {
        const p = new three.Vector3(...at).project(this.camera);
        return Math.abs(p.x) < FILL && Math.abs(p.y) < FILL && p.z < 1;
      });
      if (inside) far = distance;
      else near = distance;
    }
    this.camera.position.copy(this.middle).addScaledVector(way, far);
    this.controls.update();
    this.ask();
  }

  turn(degrees: number, up: number): void {
    const offset = this.camera.position.clone().sub(this.controls.target);
    const ball = new three.Spherical().setFromVector3(new three.Vector3(offset.x, offset.z, -offset.y));
    ball.theta += (degrees * Math.PI) / 180;
    ball.phi = Math.min(Math.max(ball.phi + (up * Math.PI) / 180, 0.02), Math.PI * 0.55);
    const turned = new three.Vector3().setFromSpherical(ball);
    this.camera.position.copy(this.controls.target).add(new three.Vector3(turned.x, -turned.z, turned.y));
    this.controls.update();
    this.ask();
  }

  zoom(factor: number): void {
    const offset = this.camera.position.clone().sub(this.controls.target).multiplyScalar(factor);
    this.camera.position.copy(this.controls.target).add(offset);
    this.controls.update();
    this.ask();
  }

  private key(event: KeyboardEvent): void {
    const turns: Record<string, [number, number]> = {
      ArrowLeft: [-10, 0],
      ArrowRight: [10, 0],
      ArrowUp: [0, -7],
      ArrowDown: [0, 7],
    };
    const turn = turns[event.key];
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (turn) this.turn(...turn);
    else if (event.key === "+" || event.key === "=") this.zoom(0.85);
    else if (event.key === "-") this.zoom(1 / 0.85);
    else return;
    event.preventDefault();
  }

  setLabels(labels: Label[]): void {
    const same = labels.length === this.labels.length && labels.every((label, k) => label.element === this.labels[k]!.element);
    this.labels = labels;
    if (!same) {
      const focused = document.activeElement instanceof HTMLElement ? document.activeElement.dataset.anchor : undefined;
      this.overlay.replaceChildren(...labels.map((label) => label.element));
      if (focused) labels.find((label) => label.element.dataset.anchor === focused)?.element.focus();
    }
    this.ask();
  }

  /** Asks for one more picture, with the next frame and once the card has finished the last. */
  ask(): void {
    if (this.wanted) return;
    this.wanted = true;
    if (!this.drawing) requestAnimationFrame(() => this.due());
  }

  /** Draws what was asked for without waiting for a frame. */
  now(): void {
    if (this.wanted && !this.drawing) this.due();
  }

  private due(): void {
    if (!this.wanted || this.drawing) return;
    this.wanted = false;
    this.draw();
    this.drawing = true;
    void this.drawn().then(() => {
      this.drawing = false;
      const finished = this.finished;
      this.finished = [];
      for (const one of finished) one();
      if (this.wanted) this.due();
    });
  }

  /** When a picture that holds all that was asked for is finished. */
  picture(): Promise<void> {
    return new Promise((done) => {
      // what is being drawn now does not hold it yet
      if (this.wanted && this.drawing) this.finished.push(() => void this.picture().then(done));
      else if (this.wanted || this.drawing) this.finished.push(done);
      else done();
    });
  }

  get moves(): boolean {
    return this.moving;
  }

  /** While something moves, slow machines draw fewer pixels. */
  move(on: boolean): void {
    this.moving = on;
    this.rate();
  }

  private turn_(on: boolean): void {
    this.turning = on;
    this.rate();
  }

  private rate(): void {
    const ratio = this.ratio();
    if (ratio === this.renderer.getPixelRatio()) return;
    this.renderer.setPixelRatio(ratio);
    this.ask();
  }

  private ratio(): number {
    const full = Math.min(2, window.devicePixelRatio);
    if (!this.slow) return full;
    return this.moving || this.turning ? full * COARSE : this.smooth ? full : Math.min(2, full * FINE);
  }

  /** Finds out, once, whether this machine draws slowly. */
  async weigh(): Promise<void> {
    if (this.slow) return;
    await this.drawn();
    const start = performance.now();
    this.draw();
    await this.drawn();
    this.slow = performance.now() - start > SLOW_MS;
  }

  /** When all that was asked of the graphics card so far is on the picture. */
  private drawn(): Promise<void> {
    const gl = this.renderer.getContext() as WebGL2RenderingContext;
    const sync = gl.fenceSync(gl.SYNC_GPU_COMMANDS_COMPLETE, 0);
    gl.flush();
    return new Promise((done) => {
      const look = (): void => {
        const state = sync ? gl.clientWaitSync(sync, 0, 0) : gl.WAIT_FAILED;
        if (state === gl.TIMEOUT_EXPIRED) {
          window.setTimeout(look, 0);
          return;
        }
        if (sync) gl.deleteSync(sync);
        done();
      };
      look();
    });
  }

  resize(): void {
    const { clientWidth: width, clientHeight: height } = this.element;
    if (!width || !height) return;
    [this.width, this.height] = [width, height];
    this.renderer.setSize(width, height, false);
    this.camera.aspect = width / height;
    this.camera.updateProjectionMatrix();
    this.onResize(width, height);
    this.ask();
  }

  private draw(): void {
    this.renderer.render(this.scene, this.camera);
    const taken: [number, number][] = [];
    for (const label of this.labels) {
      const [x, y, inFront] = this.screen(label.at);
      label.element.style.transform = `translate(${x.toFixed(1)}px, ${y.toFixed(1)}px)`;
      const crowded = !label.always && taken.some(([tx, ty]) => Math.abs(tx - x) < CROWDED && Math.abs(ty - y) < CROWDED);
      label.element.hidden = !inFront || crowded;
      if (inFront && !crowded) taken.push([x, y]);
    }
    window.clearTimeout(this.settle);
    if (!this.moving && !this.turning) this.settle = window.setTimeout(() => this.fade(), 90);
  }

  /** Labels of what is hidden behind the building get faint; done when the picture rests. */
  private fade(): void {
    const ray = new three.Raycaster();
    for (const label of this.labels) {
      if (label.always) continue;
      const at = new three.Vector3(...label.at);
      const way = at.clone().sub(this.camera.position);
      const distance = way.length();
      ray.set(this.camera.position, way.normalize());
      ray.far = distance - Math.max(0.25, this.size / 80);
      label.element.classList.toggle("behind", ray.intersectObjects(this.solid, false).some((hit) => hit.object.visible));
    }
  }

  /** Pixels in the stage of a place, and whether it lies before the camera. */
  screen(at: Point): [number, number, boolean] {
    const p = new three.Vector3(...at).project(this.camera);
    return [((p.x + 1) / 2) * this.width, ((1 - p.y) / 2) * this.height, p.z < 1];
  }

  private ray(x: number, y: number): three.Raycaster {
    const ray = new three.Raycaster();
    ray.setFromCamera(new three.Vector2((x / this.width) * 2 - 1, 1 - (y / this.height) * 2), this.camera);
    return ray;
  }

  /** The first surface under a pixel. */
  hit(x: number, y: number): { point: Point; object: three.Object3D; distance: number } | null {
    const found = this.ray(x, y)
      .intersectObjects(this.solid, false)
      .find((one) => one.object.visible);
    return found ? { point: found.point.toArray() as Point, object: found.object, distance: found.distance } : null;
  }

  /** Which of the segments lies within some pixels of a pixel and is not hidden; -1 for none. */
  nearest(x: number, y: number, pairs: [Point, Point][], within: number): number {
    let best = -1;
    let least = within;
    pairs.forEach(([a, b], k) => {
      const [ax, ay, aIn] = this.screen(a);
      const [bx, by, bIn] = this.screen(b);
      if (!aIn || !bIn) return;
      const size = (bx - ax) ** 2 + (by - ay) ** 2;
      const t = size ? Math.min(1, Math.max(0, ((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / size)) : 0;
      const away = Math.hypot(x - ax - t * (bx - ax), y - ay - t * (by - ay));
      if (away >= least) return;
      const at = a.map((v, c) => v + t * (b[c]! - v)) as Point;
      if (!this.seen(at)) return;
      least = away;
      best = k;
    });
    return best;
  }

  /** Height of the first surface straight below a place; null where there is none. */
  below(at: Point): number | null {
    const ray = new three.Raycaster(new three.Vector3(at[0], at[1], at[2] + 0.01), new three.Vector3(0, 0, -1));
    return ray.intersectObjects(this.solid, false)[0]?.point.z ?? null;
  }

  seen(at: Point): boolean {
    const way = new three.Vector3(...at).sub(this.camera.position);
    const far = way.length() - Math.max(0.15, this.size / 150);
    const ray = new three.Raycaster(this.camera.position, way.normalize(), 0, far);
    return !ray.intersectObjects(this.solid, false).some((hit) => hit.object.visible);
  }
}

/** Whether pictures are drawn by a graphics card, and not in software. */
function hasCard(): boolean {
  const probe = document.createElement("canvas").getContext("webgl2", { failIfMajorPerformanceCaveat: true });
  if (!probe) return false;
  const known = probe.getExtension("WEBGL_debug_renderer_info");
  const name = String(probe.getParameter(known ? known.UNMASKED_RENDERER_WEBGL : probe.RENDERER));
  probe.getExtension("WEBGL_lose_context")?.loseContext();
  return !/swiftshader|llvmpipe|softpipe|software|basic render/i.test(name);
}
