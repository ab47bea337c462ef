/** The part in its bar in three dimensions: the development wrapped round its axis, jaws, centre, and the cutter in its holder. */
import {
  AmbientLight, BufferAttribute, BufferGeometry, Color, DataTexture, DirectionalLight, DoubleSide, FloatType, Group, LatheGeometry, LineBasicMaterial,
  LineSegments, Mesh, MeshLambertMaterial, NearestFilter, OrthographicCamera, RedFormat, RGBAFormat, Scene as Stage, ShaderMaterial, UnsignedByteType,
  Vector2, Vector3, WebGLRenderer,
} from "three";
import type { Board } from "./board";
import { colour, fitted, h } from "./dom";
import { paintOf, standingColour } from "./paint";
import type { Scene } from "./scene";
import { SolidPlan } from "./solid_plan";
import { T } from "./texts";

const VERTEX = `
uniform sampler2D heights; uniform sampler2D paint; uniform vec2 cells; uniform vec2 span;
attribute vec2 cell; attribute float cap;
varying vec3 tone; varying vec3 away;
vec3 place(vec2 c) {
  float r = texture2D(heights, (vec2(clamp(c.x, 0.0, cells.x - 1.0), mod(c.y, cells.y)) + 0.5) / cells).r;
  float turn = (c.y + 0.5) / cells.y * 6.283185307;
  return vec3(span.x + (c.x + 0.5) / cells.x * (span.y - span.x), r * sin(turn), r * cos(turn));
}
void main() {
  vec3 here = place(cell);
#ifdef FLAT
  if (cap != 0.0) here = vec3(cap < 0.0 ? span.x : span.y, 0.0, 0.0);
  away = (modelMatrix * vec4(here, 1.0)).xyz;
#else
  vec3 along = place(cell + vec2(1.0, 0.0)) - place(cell - vec2(1.0, 0.0));
  vec3 round = place(cell + vec2(0.0, 1.0)) - place(cell - vec2(0.0, 1.0));
  vec3 n = cross(along, round);
  float size = length(n);
  away = size > 1e-9 ? n / size : vec3(0.0, 0.0, 1.0);
  if (cap != 0.0) { here = vec3(cap < 0.0 ? span.x : span.y, 0.0, 0.0); away = vec3(cap, 0.0, 0.0); }
  away = normalize((modelMatrix * vec4(away, 0.0)).xyz);
#endif
  tone = texture2D(paint, (vec2(clamp(cell.x, 0.0, cells.x - 1.0), mod(cell.y, cells.y)) + 0.5) / cells).rgb;
  gl_Position = projectionMatrix * modelViewMatrix * vec4(here, 1.0);
}`;
const FRAGMENT = `
uniform vec3 key; uniform vec3 fill_; uniform vec3 ink;
varying vec3 tone; varying vec3 away;
void main() {
#ifdef FLAT
  vec3 n = normalize(cross(dFdx(away), dFdy(away)));
#else
  vec3 n = normalize(away);
#endif
  float lit = 0.46 + 0.50 * max(0.0, dot(n, key)) + 0.20 * max(0.0, dot(n, fill_));
  gl_FragColor = vec4(mix(ink, tone, clamp(lit, 0.0, 1.0) * 0.9 + 0.1) * min(1.08, lit + 0.2), 1.0);
}`;

const SETTLED_MS = 260;

export class Solid {
  readonly canvas = h("canvas", { class: "solid", tabindex: 0, role: "img", "aria-label": T.board.solid, "aria-describedby": "solid-help" });
  readonly printed = h("canvas", { class: "printed", role: "img", "aria-label": T.board.solid });
  private renderer: WebGLRenderer;
  private stage = new Stage();
  private camera = new OrthographicCamera();
  private bar = new Group();
  private fixed = new Group();
  private cutters = new Map<number, Group>();
  private cutterTurn = new Group();
  private skin: Mesh<BufferGeometry, ShaderMaterial> | null = null;
  private heights: Float32Array | null = null;
  private paint: Uint8ClampedArray | null = null;
  private plan: SolidPlan;
  private final: Mesh<BufferGeometry, MeshLambertMaterial> | null = null;
  private tints: { deviation: BufferAttribute; cells: BufferAttribute } | null = null;
  private fine: BufferAttribute | null = null;
  private coarse: BufferAttribute | null = null;
  private look = { azimuth: -0.5, height: 0.55, zoom: 1, centre: new Vector3(), size: 100 };
  private size: () => { w: number; h: number; ratio: number };
  private queued = Promise.resolve();
  private held = "";
  private settling = 0;
  private ended = false;

  /** `soft`: drawn by the processor, where smoothing of edges would cost more than all the rest. */
  constructor(private board: Board, private soft: boolean) {
    this.renderer = new WebGLRenderer({ canvas: this.canvas, antialias: !soft, alpha: true });
    this.plan = new SolidPlan(board);
    this.stage.add(new AmbientLight(0xffffff, 1.6));
    const key = new DirectionalLight(0xffffff, 2.2);
    key.position.set(-1, -1.4, 2);
    this.stage.add(key, this.bar, this.fixed, this.cutterTurn);
    this.size = fitted(this.canvas, () => this.draw(), false);
    board.listen((changed) => {
      if (changed.has("scene")) this.queued = this.queued.then(() => this.lay());
      if (changed.has("scene") || changed.has("time") || changed.has("show") || changed.has("pick") || changed.has("theme")) this.queued = this.queued.then(() => this.refresh());
      else this.draw();
      if (changed.has("paper")) this.queued = this.queued.then(() => this.onPaper());
    });
    this.listen();
  }

  private async lay(): Promise<void> {
    const { scene } = this.board.view;
    this.bar.clear();
    this.fixed.clear();
    this.cutterTurn.clear();
    this.cutters.clear();
    this.skin = null;
    this.final = null;
    this.ended = false;
    if (!scene) return;
    this.skin = this.wrapped(scene);
    this.bar.add(this.skin);
    const holders = await scene.pack("holders");
    this.bar.add(solidOf(holders, "jaws", colour("--steel")));
    if (holders.centre_vertices) this.fixed.add(solidOf(holders, "centre", colour("--steel")));
    for (const cutter of scene.file.cutters ?? []) {
      const group = new Group();
      group.add(lathe(cutter.edge_rh, colour("--brass")), lathe(cutter.body_rh, colour("--steel")));
      group.visible = false;
      this.cutters.set(cutter.number, group);
      this.cutterTurn.add(group);
    }
    await this.plan.lay(scene);
    this.bar.add(outline(scene), this.plan.group);
    const { from_x_mm, to_x_mm } = scene.file.cells;
    this.look.centre.set((from_x_mm + to_x_mm) / 2, 0, 4);
    this.look.size = (to_x_mm - from_x_mm) * 1.42;
    this.canvas.dataset.run = String(scene.number); // stands there to be drawn
  }

  /** The grid of the development, one vertex a cell, closed at both ends; a coarser index over it for moving. */
  private wrapped(scene: Scene): Mesh<BufferGeometry, ShaderMaterial> {
    const { nx, na, from_x_mm, to_x_mm } = scene.file.cells;
    const cell = new Float32Array((nx + 2) * na * 2), cap = new Float32Array((nx + 2) * na);
    for (let j = 0; j < na; j++) for (let i = 0; i < nx + 2; i++) {
      const k = j * (nx + 2) + i;
      cell[2 * k] = i - 1;
      cell[2 * k + 1] = j;
      cap[k] = i === 0 ? -1 : i === nx + 1 ? 1 : 0;
    }
    const geometry = new BufferGeometry();
    geometry.setAttribute("position", new BufferAttribute(new Float32Array((nx + 2) * na * 3), 3));
    geometry.setAttribute("cell", new BufferAttribute(cell, 2));
    geometry.setAttribute("cap", new BufferAttribute(cap, 1));
    this.fine = new BufferAttribute(quads(nx + 2, na, this.soft ? 2 : 1), 1);
    this.coarse = new BufferAttribute(quads(nx + 2, na, this.soft ? 4 : 2), 1);
    geometry.setIndex(this.fine);
    this.heights = new Float32Array(nx * na);
    this.paint = new Uint8ClampedArray(4 * nx * na);
    const heights = new DataTexture(this.heights, nx, na, RedFormat, FloatType);
    const paint = new DataTexture(this.paint, nx, na, RGBAFormat, UnsignedByteType);
    for (const texture of [heights, paint]) texture.magFilter = texture.minFilter = NearestFilter;
    const material = new ShaderMaterial({
      vertexShader: VERTEX, fragmentShader: FRAGMENT, side: DoubleSide, defines: this.soft ? { FLAT: 1 } : {}, // one look at the heights a corner, not five
      uniforms: {
        heights: { value: heights }, paint: { value: paint }, cells: { value: new Vector2(nx, na) }, span: { value: new Vector2(from_x_mm, to_x_mm) },
        key: { value: new Vector3(-0.42, -0.55, 0.72).normalize() }, fill_: { value: new Vector3(0.75, -0.35, 0.2).normalize() }, ink: { value: new Color(0.11, 0.14, 0.2) },
      },
    });
    const mesh = new Mesh(geometry, material);
    mesh.frustumCulled = false;
    return mesh;
  }

  private async refresh(): Promise<void> {
    const { scene, show, t } = this.board.view;
    if (scene && this.skin && this.heights && this.paint) {
      const from = this.board.heights();
      const step = scene.file.height_step_mm;
      for (let k = 0; k < from.length; k++) this.heights[k] = from[k] * step;
      this.paint.set(await paintOf(scene, show));
      const u = this.skin.material.uniforms;
      u.heights.value.needsUpdate = true;
      u.paint.value.needsUpdate = true;
      const part = this.plan.refresh();
      const measured = show === "deviation" && scene.measured;
      if (measured) await this.lasting(scene, false);
      this.skin.visible = !measured && !part;
      if (this.final) this.final.visible = measured;
      this.ended = scene.measured && (show === "cut" || show === "sides") && t >= scene.minutes;
    }
    this.draw();
  }

  /** Have the true surface of what is left ready, coloured by its deviation or by the cells of the development. */
  private async lasting(scene: Scene, byCells: boolean): Promise<void> {
    if (!this.final) {
      const made = await left(scene);
      [this.final, this.tints] = [made.mesh, made.tints];
      this.final.visible = false;
      this.bar.add(this.final);
    }
    if (!this.tints) return;
    if (byCells && this.paint) tintByCells(scene, this.final.geometry, this.tints.cells, this.paint);
    this.final.geometry.setAttribute("color", byCells ? this.tints.cells : this.tints.deviation);
  }

  /** What stands under an overhang is not on the development: at the end, when all is still, the true surface takes its place. */
  private async settle(): Promise<void> {
    const { scene } = this.board.view;
    if (!scene || !this.ended || !this.skin) return;
    await this.lasting(scene, true);
    if (this.board.view.scene !== scene || !this.ended || !this.final) return;
    [this.skin.visible, this.final.visible] = [false, true];
    this.renderer.render(this.stage, this.camera);
  }

  /** Draw coarsely at once; finely when nothing has moved for a moment. */
  private draw(settled = false): void {
    const { scene, t, still, dragging } = this.board.view;
    const { w, h: tall, ratio: screen } = this.size();
    const ratio = this.soft ? 1 : screen;
    if (this.held !== `${w}/${tall}/${ratio}`) {
      this.held = `${w}/${tall}/${ratio}`;
      this.renderer.setPixelRatio(ratio);
      this.renderer.setSize(w, tall, false);
    }
    const { azimuth, height, zoom, centre, size } = this.look;
    const wide = size / zoom, high = (wide * tall) / w;
    Object.assign(this.camera, { left: -wide / 2, right: wide / 2, top: high / 2, bottom: -high / 2, near: -2000, far: 4000 });
    this.camera.up.set(0, 0, 1);
    this.camera.position.set(Math.sin(azimuth) * Math.cos(height), -Math.cos(azimuth) * Math.cos(height), Math.sin(height)).multiplyScalar(600).add(centre);
    this.camera.lookAt(centre);
    this.camera.updateProjectionMatrix();
    const { moving } = this.board;
    const pose = moving ? scene!.pose(t) : null;
    const turn = pose && Number.isFinite(pose[3]) ? (pose[3] * Math.PI) / 180 : 0;
    this.bar.rotation.x = still ? 0 : turn;
    this.cutterTurn.rotation.x = still ? -turn : 0;
    const held = moving ? scene!.rows.cutter[scene!.rowAt(t)] : -1;
    for (const [number, group] of this.cutters) {
      group.visible = number === held && !!pose && pose.every(Number.isFinite);
      if (group.visible && pose) group.position.set(pose[0], pose[1], pose[2]);
    }
    if (this.ended && this.skin && this.final && !settled) [this.skin.visible, this.final.visible] = [true, false];
    if (this.skin && this.fine && this.coarse) this.skin.geometry.setIndex(settled && !dragging ? this.fine : this.coarse);
    this.bar.updateMatrixWorld();
    this.plan.face(this.camera.position.clone().sub(centre).normalize(), wide / w);
    this.renderer.render(this.stage, this.camera);
    clearTimeout(this.settling);
    if (settled && this.ended && !dragging) this.queued = this.queued.then(() => this.settle());
    if (!settled || dragging) this.settling = window.setTimeout(() => this.draw(true), SETTLED_MS);
  }

  /** A copy for printing: what WebGL has drawn is gone by the time that the page is. */
  private onPaper(): void {
    if (!this.board.view.scene) return;
    this.draw(true);
    [this.printed.width, this.printed.height] = [this.canvas.width, this.canvas.height];
    this.printed.getContext("2d")!.drawImage(this.canvas, 0, 0);
  }

  private listen(): void {
    let from: { x: number; y: number; id: number; moved: boolean } | null = null;
    this.canvas.addEventListener("pointerdown", (e) => { from = { x: e.clientX, y: e.clientY, id: e.pointerId, moved: false }; this.canvas.setPointerCapture(e.pointerId); });
    this.canvas.addEventListener("pointermove", (e) => {
      if (!from || e.pointerId !== from.id) return;
      const dx = e.clientX - from.x, dy = e.clientY - from.y;
      if (!from.moved && Math.hypot(dx, dy) < 4) return;
      Object.assign(from, { x: e.clientX, y: e.clientY, moved: true });
      this.turn(-dx * 0.008, dy * 0.008);
      this.board.set({ dragging: true }, "marks");
    });
    this.canvas.addEventListener("pointerup", (e) => {
      if (from && !from.moved) this.pick(e);
      from = null;
      this.board.set({ dragging: false }, "marks");
    });
    this.canvas.addEventListener("wheel", (e) => { e.preventDefault(); this.nearer(Math.exp(-e.deltaY * 0.0012)); }, { passive: false });
    this.canvas.addEventListener("keydown", (e) => {
      const turns: Record<string, [number, number]> = { ArrowLeft: [0.12, 0], ArrowRight: [-0.12, 0], ArrowUp: [0, 0.1], ArrowDown: [0, -0.1] };
      if (e.key in turns) this.turn(...turns[e.key]);
      else if (e.key === "+" || e.key === "=") this.nearer(1.2);
      else if (e.key === "-") this.nearer(1 / 1.2);
      else if (e.key === "0") { Object.assign(this.look, { azimuth: -0.5, height: 0.55, zoom: 1 }); this.draw(); }
      else return;
      e.preventDefault();
    });
  }

  private turn(round: number, up: number): void {
    this.look.azimuth += round;
    this.look.height = Math.min(1.5, Math.max(-1.5, this.look.height + up));
    this.draw();
  }

  private nearer(by: number): void {
    this.look.zoom = Math.min(20, Math.max(0.5, this.look.zoom * by));
    this.draw();
  }

  /** Walk the view ray until it goes under the development, and mark that point. */
  private pick(event: PointerEvent): void {
    const { scene } = this.board.view;
    if (!scene) return;
    const box = this.canvas.getBoundingClientRect();
    const at = new Vector3(((event.clientX - box.left) / box.width) * 2 - 1, 1 - ((event.clientY - box.top) / box.height) * 2, -1).unproject(this.camera);
    const way = new Vector3();
    this.camera.getWorldDirection(way);
    this.bar.updateMatrixWorld();
    const back = this.bar.matrixWorld.clone().invert();
    const p = at.applyMatrix4(back), d = way.transformDirection(back);
    const { from_x_mm, to_x_mm } = scene.file.cells;
    const heights = this.board.heights();
    const start = p.clone().addScaledVector(d, -p.dot(d) - 200);
    for (let s = 0; s < 500; s += 0.2) {
      const x = start.x + d.x * s, y = start.y + d.y * s, z = start.z + d.z * s;
      if (x < from_x_mm || x > to_x_mm) continue;
      const turn = (Math.atan2(y, z) * 180) / Math.PI;
      if (Math.hypot(y, z) <= scene.radius(heights, x, turn)) { this.board.mark(x, turn); return; }
    }
  }
}

function quads(columns: number, rows: number, every: number): Uint32Array {
  const across = [...Array(columns).keys()].filter((i) => i % every === 0 || i === columns - 1 || i === 1 || i === columns - 2);
  const around = [...Array(rows).keys()].filter((j) => j % every === 0);
  const index = new Uint32Array((across.length - 1) * around.length * 6);
  let at = 0;
  around.forEach((j, n) => {
    const next = around[(n + 1) % around.length];
    for (let m = 0; m + 1 < across.length; m++) {
      const a = j * columns + across[m], b = j * columns + across[m + 1], c = next * columns + across[m], d = next * columns + across[m + 1];
      index.set([a, b, c, b, d, c], at);
      at += 6;
    }
  });
  return index;
}

function solidOf(pack: Record<string, ArrayLike<number>>, name: string, paint: string): Mesh {
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(pack[`${name}_vertices`] as Float32Array, 3));
  geometry.setIndex(new BufferAttribute(pack[`${name}_faces`] as Uint32Array, 1));
  return new Mesh(geometry, new MeshLambertMaterial({ color: paint, flatShading: true, side: DoubleSide }));
}

function lathe(rh: [number, number][], paint: string): Mesh {
  const closed = rh[rh.length - 1][0] > 0 ? [...rh, [0, rh[rh.length - 1][1]]] : rh;
  const geometry = new LatheGeometry(closed.map(([r, up]) => new Vector2(r, up)), 40).rotateX(Math.PI / 2);
  return new Mesh(geometry, new MeshLambertMaterial({ color: paint, side: DoubleSide }));
}

/** The edges of the bar as sawn, in thin lines. */
function outline(scene: Scene): LineSegments {
  const { section, size_mm, turned_deg, from_x_mm, to_x_mm } = scene.file.setup.bar;
  const n = section === "round" ? 48 : section === "hexagon" ? 6 : 4;
  const corners = [...Array(n).keys()].map((k) => {
    let y: number, z: number;
    if (section === "square" || section === "rectangle") {
      y = (size_mm[0] / 2) * (k === 0 || k === 3 ? 1 : -1);
      z = (size_mm.at(-1)! / 2) * (k < 2 ? 1 : -1);
    } else {
      const r = section === "round" ? size_mm[0] / 2 : size_mm[0] / Math.sqrt(3);
      [y, z] = [r * Math.cos((2 * Math.PI * k) / n), r * Math.sin((2 * Math.PI * k) / n)];
    }
    const a = (turned_deg * Math.PI) / 180;
    return [y * Math.cos(a) - z * Math.sin(a), y * Math.sin(a) + z * Math.cos(a)];
  });
  const points: number[] = [];
  corners.forEach(([y, z], k) => {
    const [v, w] = corners[(k + 1) % n];
    for (const x of [from_x_mm, to_x_mm]) points.push(x, y, z, x, v, w);
    if (section !== "round") points.push(from_x_mm, y, z, to_x_mm, y, z);
  });
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(new Float32Array(points), 3));
  return new LineSegments(geometry, new LineBasicMaterial({ color: colour("--ink"), transparent: true, opacity: 0.35 }));
}

/** What is left at the end, coloured by its deviation; room for the colours of the development's cells beside them. */
async function left(scene: Scene) {
  const pack = await scene.pack("deviation");
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(pack.vertices as Float32Array, 3));
  geometry.setIndex(new BufferAttribute(pack.faces as Uint32Array, 1));
  const n = pack.vertex_um.length;
  const tint = new Float32Array(3 * n);
  const one = new Color();
  for (let k = 0; k < n; k++) {
    const [r, g, b] = standingColour(pack.vertex_um[k], pack.vertex_standing[k], scene.file.scale_mm ?? 0.1);
    one.setRGB(r / 255, g / 255, b / 255, "srgb");
    tint.set([one.r, one.g, one.b], 3 * k);
  }
  geometry.computeVertexNormals();
  const tints = { deviation: new BufferAttribute(tint, 3), cells: new BufferAttribute(new Float32Array(3 * n), 3) };
  return { mesh: new Mesh(geometry, new MeshLambertMaterial({ vertexColors: true, side: DoubleSide })), tints };
}

/** Colour a surface by the cells of the development over it; what lies deeper than they show is cut all the same. */
function tintByCells(scene: Scene, geometry: BufferGeometry, tint: BufferAttribute, paint: Uint8ClampedArray): void {
  const { nx, na, from_x_mm, to_x_mm } = scene.file.cells;
  const points = geometry.getAttribute("position").array, one = new Color();
  for (let k = 0; k < tint.count; k++) {
    const [x, y, z] = [points[3 * k], points[3 * k + 1], points[3 * k + 2]];
    const i = Math.min(nx - 1, Math.max(0, Math.floor(((x - from_x_mm) / (to_x_mm - from_x_mm)) * nx)));
    const j = Math.floor(((Math.atan2(y, z) / (2 * Math.PI) + 1) % 1) * na) % na, c = 4 * (j * nx + i);
    one.setRGB(paint[c] / 255, paint[c + 1] / 255, paint[c + 2] / 255, "srgb");
    tint.setXYZ(k, one.r, one.g, one.b);
  }
  tint.needsUpdate = true;
}
