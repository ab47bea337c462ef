/** The development on paper, seen from outside: X along, A across, the turn growing upward; lit from the upper left; cutter, marks, findings and jaws drawn over it. */
import type { Board } from "./board";
import { colour, fitted, h } from "./dom";
import { drawPlan } from "./marks";
import { paintOf } from "./paint";
import type { Scene } from "./scene";
import { T } from "./texts";

const LEFT = 46, TOP = 24, RIGHT = 8, FOOT = 8;
const RED = "#a8381b", BLACK = "#1e2836", CHALK = "#fbf8f0"; // on the relief, which is as light by night as by day

export class Development {
  readonly canvas = h("canvas", { class: "development", tabindex: 0, role: "img", "aria-label": T.board.development, "aria-describedby": "development-help" });
  private image: ImageData | null = null;
  private sheet = document.createElement("canvas");
  private size: () => { w: number; h: number; ratio: number };
  private work = Promise.resolve();

  /** `beside`: what this one is called where two stand side by side; it then takes no pointer. */
  constructor(private board: Board, private beside = "") {
    if (beside) this.canvas.setAttribute("aria-label", `${beside}: ${T.board.development}`);
    this.size = fitted(this.canvas, () => this.draw());
    board.listen((changed) => {
      if (changed.has("scene") || changed.has("time") || changed.has("show") || changed.has("theme")) this.refresh();
      else this.draw();
    });
    this.canvas.addEventListener("pointermove", (event) => this.point(event));
    this.canvas.addEventListener("pointerleave", () => { board.view.pointer = null; this.draw(); });
    this.canvas.addEventListener("pointerdown", (event) => { this.point(event); this.take(); });
    this.canvas.addEventListener("keydown", (event) => this.key(event));
  }

  /** Shade anew: one picture at a time, the latest wanted. */
  private refresh(): void {
    this.work = this.work.then(async () => {
      const { scene, show } = this.board.view;
      if (!scene) { this.image = null; await this.drawn(); return; }
      const { nx, na } = scene.file.cells;
      if (!this.image || this.image.width !== nx || this.image.height !== na) {
        this.image = new ImageData(nx, na);
        this.sheet.width = nx;
        this.sheet.height = na;
      }
      shade(scene, this.board.heights(), await paintOf(scene, show), this.image.data);
      this.sheet.getContext("2d")!.putImageData(this.image, 0, 0);
      await this.drawn();
    });
  }

  private frame(scene: Scene) {
    const { w, h: tall } = this.size();
    const { from_x_mm, to_x_mm } = scene.file.cells;
    const wide = w - LEFT - RIGHT, high = tall - TOP - FOOT;
    return {
      wide, high,
      x: (mm: number) => LEFT + ((mm - from_x_mm) / (to_x_mm - from_x_mm)) * wide,
      y: (turn: number) => TOP + (((-turn % 360) + 360) % 360 / 360) * high,
      mm: (px: number) => from_x_mm + ((px - LEFT) / wide) * (to_x_mm - from_x_mm),
      turn: (py: number) => (1 - (py - TOP) / high) * 360,
    };
  }

  private draw(): void {
    this.work = this.work.then(() => this.drawn());
  }

  private async drawn(): Promise<void> {
    const { ratio, w, h: tall } = this.size();
    const pen = this.canvas.getContext("2d")!;
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, w, tall);
    const { scene } = this.board.view;
    if (!scene || !this.image) return;
    const f = this.frame(scene);
    pen.imageSmoothingEnabled = true;
    pen.drawImage(this.sheet, LEFT, TOP, f.wide, f.high);
    this.rulers(pen, scene, f);
    this.jaws(pen, scene, f);
    await drawPlan(pen, this.board, scene, { ...f, left: LEFT, top: TOP });
    if (this.board.view.show === "deviation") this.worst(pen, scene, f);
    else this.cutter(pen, scene, f);
    this.marks(pen, f);
  }

  private rulers(pen: CanvasRenderingContext2D, scene: Scene, f: ReturnType<Development["frame"]>): void {
    const ink = colour("--ink");
    const { from_x_mm, to_x_mm } = scene.file.cells;
    pen.strokeStyle = pen.fillStyle = ink;
    pen.lineWidth = 1;
    pen.font = "11px " + colour("--face");
    pen.textAlign = "center";
    pen.strokeRect(LEFT + 0.5, TOP + 0.5, f.wide - 1, f.high - 1);
    const along = scene.file.setup.along_x;
    const fine = f.wide / (to_x_mm - from_x_mm) > 3 ? 1 : 5;
    pen.beginPath();
    for (let mm = Math.ceil(from_x_mm / fine) * fine; mm <= to_x_mm; mm += fine) {
      const long = mm % 10 === 0 ? 8 : mm % 5 === 0 ? 6 : 3;
      pen.moveTo(f.x(mm), TOP);
      pen.lineTo(f.x(mm), TOP - long);
      if (mm % 20 === 0) pen.fillText(String(Math.round(mm * along)), f.x(mm), TOP - 11);
    }
    pen.textAlign = "right";
    for (let turn = 0; turn < 360; turn += 15) {
      const y = f.y(turn);
      const long = turn % 45 === 0 ? 8 : 4;
      pen.moveTo(LEFT, y);
      pen.lineTo(LEFT - long, y);
      if (turn % 45 === 0) pen.fillText(`${Math.round(scene.aOfTurn(turn)) % 360}°`, LEFT - 11, y + 4);
    }
    pen.stroke();
  }

  private jaws(pen: CanvasRenderingContext2D, scene: Scene, f: ReturnType<Development["frame"]>): void {
    const { from_x_mm, to_x_mm } = scene.file.cells;
    const along = scene.file.setup.along_x;
    const x0 = f.x(along > 0 ? from_x_mm : 0), x1 = f.x(along > 0 ? 0 : to_x_mm);
    pen.save();
    pen.beginPath();
    pen.rect(x0, TOP, x1 - x0, f.high);
    pen.clip();
    pen.fillStyle = colour("--steel");
    pen.globalAlpha = 0.55;
    pen.fillRect(x0, TOP, x1 - x0, f.high);
    pen.globalAlpha = 0.8;
    pen.strokeStyle = colour("--ink");
    pen.lineWidth = 0.7;
    pen.beginPath();
    for (let d = -f.high; d < x1 - x0; d += 7) { pen.moveTo(x0 + d, TOP + f.high); pen.lineTo(x0 + d + f.high, TOP); }
    pen.stroke();
    pen.restore();
  }

  private cutter(pen: CanvasRenderingContext2D, scene: Scene, f: ReturnType<Development["frame"]>): void {
    const { view } = this.board;
    if (!this.board.moving) return;
    const row = scene.rowAt(view.t);
    pen.lineWidth = 1.4;
    pen.strokeStyle = RED;
    pen.beginPath();
    let pen_down = false, last = 0;
    for (let k = Math.max(0, row - 400); k < row; k++) {
      const x = f.x(scene.rows.x[k]), y = f.y(scene.rows.turn[k]);
      if (!Number.isFinite(x) || !Number.isFinite(y)) { pen_down = false; continue; }
      if (pen_down && Math.abs(y - last) < f.high / 2 && scene.rows.kind[k] !== 0) pen.lineTo(x, y); else pen.moveTo(x, y);
      pen_down = true;
      last = y;
    }
    pen.globalAlpha = 0.75;
    pen.stroke();
    pen.globalAlpha = 1;
    const [x, , , turn] = scene.pose(view.t);
    if (!Number.isFinite(x) || !Number.isFinite(turn)) return;
    ring(pen, f.x(x), f.y(turn), 8, RED, CHALK);
    pen.beginPath();
    pen.moveTo(f.x(x) - 14, f.y(turn)); pen.lineTo(f.x(x) + 14, f.y(turn));
    pen.moveTo(f.x(x), f.y(turn) - 14); pen.lineTo(f.x(x), f.y(turn) + 14);
    pen.stroke();
  }

  private worst(pen: CanvasRenderingContext2D, scene: Scene, f: ReturnType<Development["frame"]>): void {
    for (const place of (scene.file.worst ?? []).slice(0, 8)) {
      const turn = (Math.atan2(place.y_mm, place.z_mm) * 180) / Math.PI;
      ring(pen, f.x(place.x_mm), f.y(turn), 7, BLACK, CHALK);
    }
  }

  private marks(pen: CanvasRenderingContext2D, f: ReturnType<Development["frame"]>): void {
    const { marks, pointer } = this.board.view;
    marks.forEach((mark, k) => {
      const x = f.x(mark.x), y = f.y(mark.turn);
      ring(pen, x, y, 5, BLACK, CHALK);
      pen.fillStyle = BLACK;
      pen.font = "bold 12px " + colour("--face");
      pen.textAlign = "left";
      pen.fillText("AB"[k], x + 8, y - 6);
    });
    if (pointer && !this.beside) {
      pen.strokeStyle = BLACK;
      pen.globalAlpha = 0.5;
      pen.setLineDash([4, 3]);
      pen.beginPath();
      pen.moveTo(f.x(pointer.x), TOP); pen.lineTo(f.x(pointer.x), TOP + f.high);
      pen.moveTo(LEFT, f.y(pointer.turn)); pen.lineTo(LEFT + f.wide, f.y(pointer.turn));
      pen.stroke();
      pen.setLineDash([]);
      pen.globalAlpha = 1;
    }
  }

  private point(event: PointerEvent): void {
    const { scene } = this.board.view;
    if (!scene) return;
    const f = this.frame(scene);
    const box = this.canvas.getBoundingClientRect();
    this.aim(f.mm(event.clientX - box.left), f.turn(event.clientY - box.top));
  }

  private aim(x: number, turn: number): void {
    const { from_x_mm, to_x_mm } = this.board.view.scene!.file.cells;
    this.board.set({ pointer: { x: Math.min(to_x_mm, Math.max(from_x_mm, x)), turn: Math.min(359.9, Math.max(0, turn)) } }, "marks");
  }

  private take(): void {
    const { pointer } = this.board.view;
    if (pointer) this.board.mark(pointer.x, pointer.turn);
  }

  private key(event: KeyboardEvent): void {
    const { scene, pointer } = this.board.view;
    if (!scene) return;
    const { from_x_mm, to_x_mm } = scene.file.cells;
    const at = pointer ?? { x: (from_x_mm + to_x_mm) / 2, turn: 180 };
    const step = event.shiftKey ? 10 : 1;
    const moves: Record<string, [number, number]> = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, 2 * step], ArrowDown: [0, -2 * step] };
    if (event.key in moves) this.aim(at.x + moves[event.key][0], at.turn + moves[event.key][1]);
    else if (event.key === "Enter" || event.key === " ") { this.aim(at.x, at.turn); this.take(); }
    else if (event.key === "Escape") this.board.set({ marks: [], pointer: null }, "marks");
    else return;
    event.preventDefault();
  }
}

function ring(pen: CanvasRenderingContext2D, x: number, y: number, r: number, ink: string, under: string): void {
  pen.beginPath();
  pen.arc(x, y, r, 0, 2 * Math.PI);
  pen.strokeStyle = under;
  pen.lineWidth = 4;
  pen.stroke();
  pen.strokeStyle = ink;
  pen.lineWidth = 1.8;
  pen.stroke();
}

/** Light the relief from the upper left; slopes are those of the surface, steps are softened as a draughtsman would. */
export function shade(scene: Scene, heights: Int16Array, paint: Uint8ClampedArray, out: Uint8ClampedArray): void {
  const { nx, na, from_x_mm, to_x_mm } = scene.file.cells;
  const step = scene.file.height_step_mm;
  const dx = (2 * (to_x_mm - from_x_mm)) / nx / step;
  const mean = scene.file.setup.bar.size_mm[0] / 2;
  const da = (2 * 2 * Math.PI * mean * 0.8) / na / step;
  for (let j = 0; j < na; j++) {
    const down = ((j + na - 1) % na) * nx, up = ((j + 1) % na) * nx, here = j * nx, there = (na - 1 - j) * nx; // the turn grows upward
    for (let i = 0; i < nx; i++) {
      const k = here + i;
      const sx = (heights[here + Math.min(nx - 1, i + 1)] - heights[here + Math.max(0, i - 1)]) / dx;
      const sa = (heights[down + i] - heights[up + i]) / da;
      const light = Math.min(1.12, Math.max(0.28, (0.82 + 0.42 * sx + 0.42 * sa) / Math.sqrt(1 + sx * sx + sa * sa) + 0.12));
      const to = 4 * (there + i);
      out[to] = paint[4 * k] * light;
      out[to + 1] = paint[4 * k + 1] * light;
      out[to + 2] = paint[4 * k + 2] * light;
      out[to + 3] = 255;
    }
  }
}
