/** The section through bar and cutter at the cutter's X: what is left, the part inside it, and how near the cutter stands. */
import type { Board } from "./board";
import { colour, fitted, h } from "./dom";
import { T } from "./texts";

export class SectionView {
  readonly canvas = h("canvas", { class: "section", role: "img", "aria-label": T.board.section });
  private size: () => { w: number; h: number; ratio: number };

  constructor(private board: Board) {
    this.size = fitted(this.canvas, () => this.draw());
    board.listen(() => this.draw());
  }

  private draw(): void {
    const { ratio, w, h: tall } = this.size();
    const pen = this.canvas.getContext("2d")!;
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, w, tall);
    const { scene, t, pointer, marks } = this.board.view;
    if (!scene) return;
    const pose = this.board.moving ? scene.pose(t) : null;
    const { from_x_mm, to_x_mm, na } = scene.file.cells;
    const at = pointer?.x ?? (pose && Number.isFinite(pose[0]) ? pose[0] : marks[0]?.x ?? (from_x_mm + to_x_mm) / 2);
    const turn = pose && Number.isFinite(pose[3]) ? pose[3] : 0;
    const swing = 1.25 * Math.hypot(scene.file.setup.bar.size_mm[0], scene.file.setup.bar.size_mm.at(-1)!) / 2;
    const scale = Math.min(w, tall) / (2 * swing), cx = w / 2, cy = tall * 0.55;
    const ring = (heights: Int16Array) => {
      pen.beginPath();
      for (let j = 0; j <= na; j++) {
        const own = ((j + 0.5) * 360) / na;
        const r = scene.radius(heights, at, own) * scale;
        const polar = ((90 - own + turn) * Math.PI) / 180;
        const x = cx + r * Math.cos(polar), y = cy - r * Math.sin(polar);
        if (j) pen.lineTo(x, y); else pen.moveTo(x, y);
      }
      pen.closePath();
    };
    pen.lineWidth = 1.4;
    ring(this.board.heights());
    pen.fillStyle = colour("--bare");
    pen.globalAlpha = 0.45;
    pen.fill();
    pen.globalAlpha = 1;
    pen.strokeStyle = colour("--ink");
    pen.stroke();
    ring(scene.target);
    pen.strokeStyle = colour("--blue");
    pen.setLineDash([5, 3]);
    pen.stroke();
    pen.setLineDash([8, 3, 2, 3]);
    pen.lineWidth = 0.8;
    pen.strokeStyle = colour("--ink");
    pen.beginPath();
    pen.moveTo(cx - swing * scale, cy); pen.lineTo(cx + swing * scale, cy);
    pen.moveTo(cx, cy - swing * scale); pen.lineTo(cx, cy + swing * scale);
    pen.stroke();
    pen.setLineDash([]);
    const cutter = pose && scene.file.cutters?.find((item) => item.number === scene.rows.cutter[scene.rowAt(t)]);
    if (cutter && pose && Math.abs(at - pose[0]) < 0.5) {
      for (const [rh, paint] of [[cutter.edge_rh, "--brass"], [cutter.body_rh, "--steel"]] as const) {
        pen.beginPath();
        const there = rh.map(([r, up]) => [cx + (pose[1] + r) * scale, cy - (pose[2] + up) * scale]);
        const back = rh.map(([r, up]) => [cx + (pose[1] - r) * scale, cy - (pose[2] + up) * scale]).reverse();
        [...there, ...back].forEach(([x, y], k) => (k ? pen.lineTo(x, y) : pen.moveTo(x, y)));
        pen.closePath();
        pen.fillStyle = colour(paint);
        pen.globalAlpha = 0.5;
        pen.fill();
        pen.globalAlpha = 1;
        pen.stroke();
      }
    }
    pen.fillStyle = colour("--ink");
    pen.font = "12px " + colour("--face");
    pen.fillText(`X ${(at * scene.file.setup.along_x).toFixed(1)} mm`, 8, 16);
  }
}
