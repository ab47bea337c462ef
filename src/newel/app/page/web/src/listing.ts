/** The program's text beside the cut: a window of lines about the one under way. */
import type { Board } from "./board";
import { fill, h } from "./dom";
import { T } from "./texts";

const ROUND = 7;

export class Listing {
  private list = h("ol", { class: "lines" });
  private goto = h("input", { type: "number", min: 1, class: "short", "aria-label": T.program.goto, onchange: () => this.jump(Number(this.goto.value)) });
  readonly element = h("section", { class: "listing", "aria-label": T.program.title });
  private shown = "";

  constructor(private board: Board) {
    fill(this.element, h("header", {}, h("h2", {}, T.program.title), h("label", {}, `${T.program.goto} `, this.goto)), this.list);
    board.listen((changed) => { if (changed.has("scene") || changed.has("time")) void this.draw(); });
  }

  private async draw(): Promise<void> {
    const { scene, t } = this.board.view;
    if (!scene?.proved) { fill(this.list); this.shown = ""; return; }
    const row = scene.rowAt(t), program = scene.rows.program[row], now = scene.rows.line[row];
    const wanted = `${scene.number}/${program}/${now}`;
    if (wanted === this.shown) return;
    this.shown = wanted;
    const { text, starts } = await scene.program(program);
    if (this.shown !== wanted) return;
    const first = Math.max(1, Math.min(now - ROUND, starts.length - 2 * ROUND));
    const lines: Node[] = [];
    for (let n = first; n <= Math.min(first + 2 * ROUND, starts.length); n++) {
      const line = text.slice(starts[n - 1], n < starts.length ? starts[n] - 1 : undefined).trimEnd();
      if (n === starts.length && !line) break;
      const button = h("button", { type: "button", class: "line", "aria-current": n === now ? "true" : undefined, tabindex: n === now ? 0 : -1, onclick: () => this.jump(n) },
        h("span", { class: "number" }, String(n)), h("code", {}, line || " "));
      lines.push(h("li", {}, button));
    }
    fill(this.list, ...lines);
    this.list.onkeydown = (event) => {
      const by = { ArrowDown: 1, ArrowUp: -1 }[event.key];
      if (!by) return;
      event.preventDefault();
      this.jump(now + by);
      requestAnimationFrame(() => setTimeout(() => this.list.querySelector<HTMLElement>("[aria-current]")?.focus(), 60));
    };
  }

  private jump(line: number): void {
    const { scene, t } = this.board.view;
    if (scene?.proved && line > 0) this.board.goRow(scene.rowOfLine(scene.rows.program[scene.rowAt(t)], line));
  }
}
