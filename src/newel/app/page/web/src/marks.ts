/** What a plan draws over the part: its sides, the lines of its cuts, where one cut works, and marks of what is out of reach. */
import type { Board } from "./board";
import { colour } from "./dom";
import { reasonColour, sideColour } from "./paint";
import type { CutDoc, Scene } from "./scene";
import { T } from "./texts";

/** Where X and the turn of the bar fall on the paper. */
export interface Frame { x: (mm: number) => number; y: (turn: number) => number; left: number; top: number; wide: number; high: number }

export const turnOf = (y: number, z: number): number => ((((Math.atan2(y, z) * 180) / Math.PI) % 360) + 360) % 360;

/** Corners (y, z) of the room that a cut at a side works in, in the set-up's frame, and its X. */
export function roomOf(scene: Scene, cut: CutDoc): { x: [number, number]; corners: [number, number][] } | null {
  const turn = scene.turnOfCut(cut);
  if (turn === null) return null;
  const along = scene.file.setup.along_x, t = (turn * Math.PI) / 180;
  const back = (y: number, z: number): [number, number] => [y * Math.cos(t) + z * Math.sin(t), -y * Math.sin(t) + z * Math.cos(t)];
  const [low, high] = [along * cut.from_y_mm, along * cut.to_y_mm], floor = Math.min(cut.floor_z_mm, cut.top_z_mm);
  return {
    x: [along * cut.from_x_mm, along * cut.to_x_mm],
    corners: [back(low, cut.top_z_mm), back(high, cut.top_z_mm), back(high, floor), back(low, floor)],
  };
}

/** Draw all that belongs to the plan on the development. */
export async function drawPlan(pen: CanvasRenderingContext2D, board: Board, scene: Scene, f: Frame): Promise<void> {
  const { show, pick } = board.view;
  const { outlines, reach } = await arrays(scene);
  pen.save();
  pen.beginPath();
  pen.rect(f.left, f.top, f.wide, f.high);
  pen.clip();
  if (show === "reach" && reach) marksOf(pen, reach.points, reach.why, f);
  const plain = board.ofPart || show === "sides";
  if (plain || pick !== null) lines(pen, outlines, plain ? null : pick, f, colour("--ink"), 1.1);
  if (pick !== null) {
    lines(pen, outlines, pick, f, colour("--pencil"), 2);
    room(pen, scene, scene.file.plan.cuts[pick], f);
  }
  if (plain) sides(pen, scene, f);
  pen.restore();
}

/** What the plan's marks are drawn from, once fetched. */
async function arrays(scene: Scene) {
  const outlines = await scene.pack("outlines");
  const reach = scene.file.arrays.reach ? await scene.pack("reach") : null;
  return { outlines, reach };
}

function lines(pen: CanvasRenderingContext2D, pack: Record<string, ArrayLike<number>>, only: number | null, f: Frame, ink: string, width: number): void {
  const { points, begins, cut } = pack;
  pen.beginPath();
  for (let k = 0; k < cut.length; k++) {
    if (only !== null && cut[k] !== only) continue;
    let last = NaN;
    for (let i = begins[k]; i < begins[k + 1]; i++) {
      const x = f.x(points[3 * i]), y = f.y(turnOf(points[3 * i + 1], points[3 * i + 2]));
      if (Math.abs(y - last) < f.high / 2) pen.lineTo(x, y); else pen.moveTo(x, y);
      last = y;
    }
  }
  pen.strokeStyle = colour("--sheet");
  pen.lineWidth = width + 2;
  pen.stroke();
  pen.strokeStyle = ink;
  pen.lineWidth = width;
  pen.stroke();
}

/** Mark each place by its reason: colour and shape, as on the printed map. */
function marksOf(pen: CanvasRenderingContext2D, points: ArrayLike<number>, why: ArrayLike<number>, f: Frame): void {
  for (let k = 0; k < why.length; k++) {
    const x = f.x(points[3 * k]), y = f.y(turnOf(points[3 * k + 1], points[3 * k + 2]));
    pen.fillStyle = `rgb(${reasonColour(why[k]).join()})`;
    if (why[k] === 2) { pen.beginPath(); pen.moveTo(x, y - 3); pen.lineTo(x + 3, y); pen.lineTo(x, y + 3); pen.lineTo(x - 3, y); pen.fill(); }
    else if (why[k] === 3) { pen.fillRect(x - 2.5, y - 0.7, 5, 1.4); pen.fillRect(x - 0.7, y - 2.5, 1.4, 5); }
    else if (why[k] === 4) pen.fillRect(x - 3, y - 1, 6, 2);
    else if (why[k] >= 5) pen.fillRect(x - 1, y - 3, 2, 6);
    else pen.fillRect(x - 1.8, y - 1.8, 3.6, 3.6);
  }
}

/** The room of a cut at a side, hatched: where its tip may go, laid on the surface. */
function room(pen: CanvasRenderingContext2D, scene: Scene, cut: CutDoc, f: Frame): void {
  const there = roomOf(scene, cut);
  const along = scene.file.setup.along_x;
  const [x0, x1] = (there?.x ?? [along * cut.from_x_mm, along * cut.to_x_mm]).map(f.x).sort((a, b) => a - b);
  let spans: [number, number][] = [[0, 360]];
  if (there) {
    const [from, to] = [turnOf(...there.corners[0]), turnOf(...there.corners[1])];
    const [low, high] = along > 0 ? [from, to] : [to, from];
    spans = low <= high ? [[low, high]] : [[low, 360], [0, high]];
  }
  pen.strokeStyle = colour("--pencil");
  pen.lineWidth = 1.6;
  pen.setLineDash([7, 4]);
  for (const [low, high] of spans) {
    const y0 = high >= 360 ? f.top : f.y(high), y1 = low <= 0 ? f.top + f.high : f.y(low);
    pen.strokeRect(x0, y0, x1 - x0, y1 - y0);
  }
  pen.setLineDash([]);
}

/** A flag at each side: which it is and at which A it is cut. */
function sides(pen: CanvasRenderingContext2D, scene: Scene, f: Frame): void {
  pen.font = "bold 12px " + colour("--face");
  scene.file.plan.sides.forEach((side, k) => {
    const y = f.y(side.turn_deg), text = T.board.side(k + 1, scene.saidA(side.turn_deg));
    const wide = pen.measureText(text).width + 22, right = f.left + f.wide - 4;
    const top = Math.min(f.top + f.high - 20, Math.max(f.top + 2, y - 9));
    pen.strokeStyle = colour("--ink");
    pen.lineWidth = 0.8;
    pen.setLineDash([10, 3, 2, 3]);
    pen.beginPath();
    pen.moveTo(f.left, y); pen.lineTo(right - wide, y);
    pen.stroke();
    pen.setLineDash([]);
    pen.fillStyle = colour("--sheet");
    pen.fillRect(right - wide, top, wide, 18);
    pen.strokeRect(right - wide, top, wide, 18);
    pen.fillStyle = `rgb(${sideColour(k).join()})`;
    pen.fillRect(right - wide + 3, top + 3, 12, 12);
    pen.fillStyle = colour("--ink");
    pen.textAlign = "left";
    pen.fillText(text, right - wide + 18, top + 13);
  });
}
