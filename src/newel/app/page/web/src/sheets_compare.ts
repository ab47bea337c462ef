/** Two runs, or a program from elsewhere against ours, side by side under one rule of time. */
import { sendProgram, type Desk, type Run } from "./api";
import { Board, type Show } from "./board";
import { Development } from "./development";
import { fill, h } from "./dom";
import { Scene } from "./scene";
import { decisionRows, figureRows } from "./sheets_plan";
import { T } from "./texts";

/** What may be put side by side. */
const COMPARED = new Set(["plan", "make", "prove"]);

/** What two plans come to, alone or behind their programs. */
function planRows(one: Scene, other: Scene): [string, string, string][] {
  const said = ({ file: { plan } }: Scene) => [
    plan.sides.length ? plan.sides.map((side) => `${Number(side.turn_deg.toFixed(1))}°`).join(", ") : T.plan.aroundHead,
    String(plan.cuts.length), String(plan.cutters.length),
  ];
  const [a, b] = [said(one), said(other)];
  return [T.plan.sides, T.compare.cuts, T.compare.cutters].map((name, k) => [name, a[k], b[k]]);
}

function verdictRow(one: Scene, other: Scene): [string, string, string] {
  const said = (scene: Scene) => scene.file.proof?.verdict ?? T.compare.planned;
  return [T.block.verdict, said(one), said(other)];
}

export class CompareSheet {
  readonly element = h("div", { class: "sheet compare" });
  readonly boards = [new Board(), new Board()];
  private picks = [h("select", { id: "left-run" }), h("select", { id: "right-run" })];
  private table = h("div", {});
  private share = h("input", { type: "range", min: 0, max: 1000, value: "1000", "aria-label": T.compare.share });
  private show = h("select", { id: "compare-show" }, ...(["cut", "left", "sides", "deviation"] as const).map((name) => h("option", { value: name }, T.compare.shows[name])));
  private need = h("p", { class: "quiet" }, T.compare.need);
  private runs: Run[] = [];
  private proved = 0;
  private awaited = false;

  constructor(private told: (error: unknown) => void) {
    const file = h("input", { type: "file", accept: ".ngc,.nc,.tap,.gcode,.cnc,.txt,.din", class: "away", id: "program-file", onchange: () => file.files?.[0] && void this.take(file.files[0]) });
    const sides = this.boards.map((board, k) => {
      const drawn = new Development(board, k ? T.compare.right : T.compare.left);
      this.picks[k].addEventListener("change", () => void this.choose(k));
      return h("div", { class: "side" }, h("p", {}, h("label", { for: this.picks[k].id }, `${k ? T.compare.right : T.compare.left} `), this.picks[k]), drawn.canvas);
    });
    this.show.addEventListener("change", () => this.boards.forEach((board) => this.showOn(board)));
    this.share.addEventListener("input", () => this.boards.forEach((board) => board.go((Number(this.share.value) / 1000) * (board.view.scene?.minutes ?? 0))));
    document.addEventListener("foreign", (event) => void this.take((event as CustomEvent<File>).detail));
    fill(this.element, h("p", {}, T.compare.help, " ", h("label", { for: "program-file", class: "button" }, T.compare.foreign), file, " ", h("label", { for: "compare-show" }, `${T.board.show} `), this.show), this.need, h("div", { class: "sides" }, ...sides), this.share, this.table);
  }

  hear(desk: Desk): void {
    const runs = desk.runs.filter((run) => run.state === "done" && COMPARED.has(run.what));
    this.need.hidden = runs.length > 0;
    if (runs.map((run) => run.number).join() === this.runs.map((run) => run.number).join()) return;
    this.runs = runs;
    const proved = runs.filter((run) => run.figures.verdict);
    const ready = proved.length ? proved : runs;
    const arrived = this.awaited && proved.length > this.proved; // the program that was sent from here
    if (arrived) this.awaited = false;
    this.picks.forEach((pick, k) => {
      const kept = runs.some((run) => String(run.number) === pick.value) && !!proved.length === !!this.proved && !arrived ? pick.value : "";
      fill(pick, ...runs.map((run) => h("option", { value: String(run.number) }, `${T.compare.run(run.number, run.label)}, ${run.figures.verdict ?? T.compare.planned}`)));
      pick.value = kept || String(ready.at(k ? -1 : Math.max(0, ready.length - 2))?.number ?? "");
      void this.choose(k);
    });
    this.proved = proved.length;
  }

  theme(): void { this.boards.forEach((board) => board.stir("theme")); }

  private async choose(k: number): Promise<void> {
    const number = Number(this.picks[k].value);
    if (!number || this.boards[k].view.scene?.number === number) return;
    try {
      this.boards[k].lay(await Scene.load(number));
      this.showOn(this.boards[k]);
    } catch (error) { this.told(error); return; }
    const [one, other] = this.boards.map((board) => board.view.scene);
    fill(this.table);
    if (one && other) this.table.append(h("table", {}, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, T.compare.figure), h("th", { scope: "col" }, T.compare.left), h("th", { scope: "col" }, T.compare.right))),
      h("tbody", {}, ...[verdictRow(one, other), ...planRows(one, other), ...figureRows(one, other), ...decisionRows(one, other)].map(([name, a, b]) => h("tr", { class: a === b ? "" : "differs" }, h("th", { scope: "row" }, name), h("td", {}, a), h("td", {}, b))))));
  }

  /** Show what is asked for, or the part where nothing is cut yet. */
  private showOn(board: Board): void {
    const show = this.show.value as Show;
    board.choose(board.view.scene?.proved || show === "sides" ? show : "target");
  }

  private async take(file: File): Promise<void> {
    this.awaited = true;
    await sendProgram(file).catch((error) => { this.awaited = false; this.told(error); });
  }
}
