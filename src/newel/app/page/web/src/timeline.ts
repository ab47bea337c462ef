/** Time as a rule: cutters as bands, findings as ticks, and the charts under it on the same scale. */
import type { Board } from "./board";
import { colour, fill, fitted, fixed, h, minutes } from "./dom";
import { sideColour } from "./paint";
import { NO_SIDE, type Scene } from "./scene";
import { T } from "./texts";

const SIDE = 10;
const SPEEDS = [1, 10, 60, 300];

export class Timeline {
  private rule = h("canvas", { class: "rule", "aria-hidden": "true" });
  private handle = h("div", { class: "time", role: "slider", tabindex: 0, "aria-label": T.time.label, "aria-valuemin": 0 });
  private said = h("output", { class: "moment", "aria-live": "off" });
  private play = h("button", { type: "button", onclick: () => this.toggle() }, T.time.play);
  private speed = h("select", { "aria-label": T.time.speed });
  private size: () => { w: number; h: number; ratio: number };
  private running = 0;
  readonly element = h("section", { class: "timeline", "aria-label": T.time.label });

  constructor(private board: Board) {
    this.size = fitted(this.rule, () => this.draw());
    this.handle.append(this.rule);
    SPEEDS.forEach((n) => this.speed.append(h("option", { value: String(n) }, `${n} ×`)));
    this.speed.value = "60";
    fill(this.element, h("div", { class: "time-row" },
      h("button", { type: "button", "aria-label": T.time.back, title: T.time.back, onclick: () => this.step(-1) }, "‹"),
      this.play,
      h("button", { type: "button", "aria-label": T.time.step, title: T.time.step, onclick: () => this.step(1) }, "›"),
      this.speed, this.said), this.handle);
    board.listen((changed) => { if (changed.has("scene") || changed.has("time") || changed.has("theme") || changed.has("show")) this.draw(); });
    this.handle.addEventListener("pointerdown", (event) => this.grab(event));
    this.handle.addEventListener("keydown", (event) => this.key(event));
  }

  private grab(event: PointerEvent): void {
    if (!this.board.view.scene?.proved) return;
    this.handle.setPointerCapture(event.pointerId);
    this.handle.focus();
    const to = (e: PointerEvent) => {
      const box = this.rule.getBoundingClientRect();
      this.board.go(((e.clientX - box.left - SIDE) / (box.width - 2 * SIDE)) * this.board.view.scene!.minutes);
    };
    this.board.set({ dragging: true });
    to(event);
    const up = () => {
      this.handle.removeEventListener("pointermove", to);
      this.board.set({ dragging: false }, "time");
    };
    this.handle.addEventListener("pointermove", to);
    this.handle.addEventListener("pointerup", up, { once: true });
    this.handle.addEventListener("pointercancel", up, { once: true });
  }

  private key(event: KeyboardEvent): void {
    const { scene, t } = this.board.view;
    if (!scene?.proved) return;
    const moves: Record<string, () => void> = {
      ArrowRight: () => this.step(event.shiftKey ? 100 : 1), ArrowUp: () => this.step(event.shiftKey ? 100 : 1),
      ArrowLeft: () => this.step(event.shiftKey ? -100 : -1), ArrowDown: () => this.step(event.shiftKey ? -100 : -1),
      PageUp: () => this.board.go(t + scene.minutes / 50), PageDown: () => this.board.go(t - scene.minutes / 50),
      Home: () => this.board.go(0), End: () => this.board.go(scene.minutes), " ": () => this.toggle(),
    };
    if (!(event.key in moves)) return;
    moves[event.key]();
    event.preventDefault();
  }

  private step(rows: number): void {
    const { scene, t } = this.board.view;
    if (!scene?.proved) return;
    let row = scene.rowAt(t) + rows;
    row = Math.min(scene.count - 1, Math.max(0, row));
    this.board.go(scene.rows.t[row]);
  }

  private toggle(): void {
    if (this.running) { cancelAnimationFrame(this.running); this.running = 0; this.play.textContent = T.time.play; return; }
    const { scene } = this.board.view;
    if (!scene?.proved) return;
    if (this.board.view.t >= scene.minutes) this.board.go(0);
    let last = performance.now();
    this.play.textContent = T.time.pause;
    const tick = (now: number) => {
      this.board.go(this.board.view.t + ((now - last) / 60000) * Number(this.speed.value));
      last = now;
      if (this.board.view.scene && this.board.view.t < this.board.view.scene.minutes) this.running = requestAnimationFrame(tick);
      else { this.running = 0; this.play.textContent = T.time.play; }
    };
    this.running = requestAnimationFrame(tick);
  }

  /** A second band: at which side the bar is clamped, or that it turns. Returns where it ends. */
  private sides(pen: CanvasRenderingContext2D, scene: Scene, x: (at: number) => number): number {
    for (const run of this.runs.get(scene) ?? this.keep(scene)) {
      const a = x(run.first ? scene.rows.t[run.first - 1] : 0), b = x(scene.rows.t[run.last - 1]);
      if (b - a < 0.3) continue;
      pen.fillStyle = `rgb(${sideColour(run.side).join()})`;
      pen.fillRect(a, 38, Math.max(1, b - a), 13);
      if (run.side === NO_SIDE || b - a < 34) continue;
      pen.fillStyle = "#1e2836";
      const said = T.board.side(run.side + 1, scene.saidA(scene.file.plan.sides[run.side].turn_deg));
      pen.fillText(b - a > 6.2 * said.length ? said : String(run.side + 1), a + 4, 48.5);
    }
    pen.beginPath();
    pen.moveTo(SIDE, 51.5); pen.lineTo(x(scene.minutes), 51.5);
    pen.stroke();
    return 52;
  }

  private runs = new WeakMap<Scene, ReturnType<typeof runsOf>>();

  private keep(scene: Scene): ReturnType<typeof runsOf> {
    const found = runsOf(scene);
    this.runs.set(scene, found);
    return found;
  }

  private draw(): void {
    const { ratio, w, h: tall } = this.size();
    const pen = this.rule.getContext("2d")!;
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, w, tall);
    const { scene, t } = this.board.view;
    this.element.classList.toggle("idle", !scene?.proved);
    this.rule.classList.toggle("with-sides", !!scene?.file.plan.sides.length);
    if (!scene?.proved) { this.said.textContent = ""; return; }
    const whole = scene.minutes, x = (at: number) => SIDE + (at / whole) * (w - 2 * SIDE);
    const tones = ["--band-1", "--band-2", "--band-3", "--band-4"].map(colour);
    const numbers = [...new Set((scene.file.bands ?? []).map((band) => band.cutter))];
    pen.font = "11px " + colour("--face");
    for (const band of scene.file.bands ?? []) {
      const a = x(band.first ? scene.rows.t[band.first - 1] : 0), b = x(scene.rows.t[band.last - 1]);
      pen.fillStyle = tones[numbers.indexOf(band.cutter) % tones.length];
      pen.fillRect(a, 20, Math.max(1, b - a), 16);
      const name = scene.file.cutters?.find((item) => item.number === band.cutter)?.name;
      pen.fillStyle = colour("--ink");
      const text = name ? T.program.cutter(band.cutter, name) : `T${band.cutter}`;
      if (b - a > 7 * text.length * 0.85) pen.fillText(text, a + 5, 32);
      else if (b - a > 22) pen.fillText(`T${band.cutter}`, a + 5, 32);
    }
    pen.strokeStyle = pen.fillStyle = colour("--ink");
    pen.lineWidth = 1;
    pen.beginPath();
    const every = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120].find((n) => (whole / n) * 46 < w) ?? 240;
    for (let m = 0; m <= whole; m += every / 5) {
      const long = Math.abs(m / every - Math.round(m / every)) < 1e-6;
      pen.moveTo(x(m), 20);
      pen.lineTo(x(m), long ? 11 : 15);
      if (long) pen.fillText(`${Number(m.toFixed(2))}`, x(m) + 3, 12);
    }
    pen.moveTo(SIDE, 20.5); pen.lineTo(w - SIDE, 20.5);
    pen.moveTo(SIDE, 36.5); pen.lineTo(w - SIDE, 36.5);
    pen.stroke();
    const foot = scene.file.plan.sides.length ? this.sides(pen, scene, x) : 37;
    scene.file.proof!.findings.forEach((found, k) => {
      const row = scene.file.finding_rows![k];
      if (row < 0) return;
      pen.fillStyle = colour(found.severity === "obstacle" ? "--pencil" : "--brass");
      const at = x(scene.rows.t[row]);
      pen.beginPath();
      pen.moveTo(at, foot); pen.lineTo(at - 5, foot + 9); pen.lineTo(at + 5, foot + 9);
      pen.fill();
    });
    pen.strokeStyle = colour("--pencil");
    pen.lineWidth = 2;
    pen.beginPath();
    pen.moveTo(x(t), 4); pen.lineTo(x(t), foot + 9);
    pen.stroke();
    pen.fillStyle = colour("--pencil");
    pen.beginPath();
    pen.moveTo(x(t) - 6, 2); pen.lineTo(x(t) + 6, 2); pen.lineTo(x(t), 11);
    pen.fill();
    const text = T.time.at(minutes(t), minutes(whole), scene.rows.line[scene.rowAt(t)]);
    this.said.textContent = text;
    this.handle.setAttribute("aria-valuemax", whole.toFixed(2));
    this.handle.setAttribute("aria-valuenow", t.toFixed(2));
    this.handle.setAttribute("aria-valuetext", text);
  }
}

/** Runs [first, last) of rows at one side. */
function runsOf(scene: Scene): { first: number; last: number; side: number }[] {
  const side = scene.sideOfRow(), found: { first: number; last: number; side: number }[] = [];
  for (let k = 1; k < side.length; k++) {
    if (found.length && found[found.length - 1].side === side[k]) found[found.length - 1].last = k + 1;
    else found.push({ first: k, last: k + 1, side: side[k] });
  }
  return found;
}

type Series = NonNullable<Scene["file"]["series"]>;

/** Small charts of the program, over the same time as the rule. */
export class Charts {
  readonly element = h("div", { class: "charts" });

  constructor(private board: Board) {
    board.listen((changed) => { if (changed.has("scene")) this.lay(); });
  }

  private lay(): void {
    const series = this.board.view.scene?.file.series;
    if (!series) { fill(this.element); return; }
    const kinds: [keyof Series, string, string, number][] = [
      ["feed_mm_per_min", T.time.feed, T.units.feed, 0], ["force_N", T.time.force, T.units.N, 1],
      ["torque_Nm", T.time.torque, T.units.Nm, 2], ["spindle_torque_Nm", T.time.spindleTorque, T.units.Nm, 3], ["height_mm", T.time.height, T.units.mm, 1],
    ];
    fill(this.element, ...kinds.map(([key, name, unit, digits]) => new Chart(this.board, series[key] as (number | null)[], name, unit, digits).element));
  }
}

class Chart {
  private canvas = h("canvas", { role: "img" });
  private size: () => { w: number; h: number; ratio: number };
  readonly element: HTMLElement;
  private most: number;
  private least: number;

  private now = h("b", {});

  constructor(private board: Board, private values: (number | null)[], name: string, private unit: string, private digits: number) {
    const known = values.filter((v): v is number => v !== null);
    this.most = Math.max(...known, 1e-9);
    this.least = Math.min(0, ...known);
    const said = `${name}, ${T.time.most(`${this.most.toFixed(digits)} ${unit}`)}`;
    this.canvas.setAttribute("aria-label", said);
    this.element = h("figure", { class: "chart" }, h("figcaption", {}, h("span", {}, said), this.now), this.canvas);
    this.size = fitted(this.canvas, () => this.draw());
    const hear = (changed: Set<string>) => { if (this.element.isConnected && (changed.has("time") || changed.has("theme"))) this.draw(); };
    board.listen(hear);
    this.canvas.addEventListener("pointerdown", (event) => {
      const box = this.canvas.getBoundingClientRect();
      this.board.go(((event.clientX - box.left) / box.width) * this.board.view.scene!.minutes);
    });
  }

  private draw(): void {
    const { ratio, w, h: tall } = this.size();
    const pen = this.canvas.getContext("2d")!;
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, w, tall);
    const y = (v: number) => tall - 2 - ((v - this.least) / (this.most - this.least)) * (tall - 4);
    pen.beginPath();
    pen.moveTo(0, y(Math.max(0, this.least)));
    this.values.forEach((value, k) => { if (value !== null) { pen.lineTo((k / this.values.length) * w, y(value)); pen.lineTo(((k + 1) / this.values.length) * w, y(value)); } });
    pen.lineTo(w, y(Math.max(0, this.least)));
    pen.fillStyle = colour("--blue");
    pen.globalAlpha = 0.25;
    pen.fill();
    pen.globalAlpha = 1;
    pen.strokeStyle = colour("--blue");
    pen.lineWidth = 1;
    pen.stroke();
    const scene = this.board.view.scene;
    if (!scene?.minutes) return;
    const bin = Math.min(this.values.length - 1, Math.floor((this.board.view.t / scene.minutes) * this.values.length));
    this.now.textContent = fixed(this.values[bin], this.digits, this.unit);
    pen.strokeStyle = colour("--pencil");
    pen.lineWidth = 1.5;
    pen.beginPath();
    pen.moveTo((this.board.view.t / scene.minutes) * w, 0);
    pen.lineTo((this.board.view.t / scene.minutes) * w, tall);
    pen.stroke();
  }
}
