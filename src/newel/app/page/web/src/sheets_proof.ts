/** The proof: program beside charts, findings that jump, figures, and what may be taken away. */
import type { Desk } from "./api";
import type { Board } from "./board";
import { fill, fixed, h } from "./dom";
import { Listing } from "./listing";
import type { Scene } from "./scene";
import { figures } from "./sheets_plan";
import { T } from "./texts";
import { Charts } from "./timeline";

/** How a place of the surface stands that a finding of this sort tells of. */
const STANDINGS: Record<string, number> = { gouge: 1, "left-over": 2, unreachable: 3 };

export class ProofSheet {
  readonly element = h("div", { class: "sheet proof" });
  private listing: Listing;
  private charts: Charts;
  private findings = h("section", { class: "findings", "aria-label": T.proof.findings });
  private numbers = h("section", { class: "numbers" });
  private away = h("section", { class: "away-list" });

  constructor(private board: Board) {
    this.listing = new Listing(board);
    this.charts = new Charts(board);
    board.listen((changed) => { if (changed.has("scene")) this.lay(board.view.scene); });
    this.lay(null);
  }

  private lay(scene: Scene | null): void {
    if (!scene?.file.proof) {
      fill(this.element, h("div", { class: "column wide" }, h("p", { class: "quiet" }, T.proof.none)), h("div", { class: "column" }, this.away));
      return;
    }
    const { proof, worst, worst_rows } = scene.file;
    const show = (k: number) => {
      const place = worst![k];
      this.board.choose("deviation");
      this.board.mark(place.x_mm, (Math.atan2(place.y_mm, place.z_mm) * 180) / Math.PI, { r: Math.hypot(place.y_mm, place.z_mm), deviation: place.deviation_mm });
      this.board.lookAt();
    };
    fill(this.findings, h("h2", {}, `${T.proof.findings} (${proof.findings.length})`), proof.findings.length
      ? h("ul", {}, ...proof.findings.map((found, k) => h("li", { class: found.severity },
        h("button", { type: "button", ...this.jump(scene, k, show) },
          h("b", {}, `${T.proof.severity[found.severity] ?? found.severity} `), found.says,
          found.measured !== null && found.unit ? ` (${fixed(found.measured, 3, found.unit)}${found.limit !== null ? `, ${T.proof.limit} ${fixed(found.limit, 3, found.unit)}` : ""})` : "",
          found.line ? h("span", { class: "where" }, ` ${found.program} ${T.program.line(found.line)}`) : null))))
      : h("p", { class: "quiet" }, T.proof.noFindings),
      (worst ?? []).length > 0 && h("h2", {}, T.proof.worst),
      (worst ?? []).length > 0 && h("ul", {}, ...worst!.slice(0, 8).map((place, k) => h("li", {}, h("button", { type: "button", disabled: worst_rows![k] < 0, onclick: () => { this.board.goRow(worst_rows![k]); show(k); } }, `${place.deviation_mm > 0 ? "+" : ""}${fixed(place.deviation_mm, 3, T.units.mm)} `, h("span", { class: "where" }, `X ${place.x_mm.toFixed(1)}, ${T.program.line(place.line)}`))))));
    fill(this.numbers, h("h2", {}, T.proof.figures), h("table", {}, h("tbody", {}, ...figures(scene).map(([name, text]) => h("tr", {}, h("th", { scope: "row" }, name), h("td", {}, text))))));
    fill(this.element, h("div", { class: "column" }, this.listing.element), h("div", { class: "column wide" }, h("h2", {}, T.time.charts), this.charts.element, this.findings), h("div", { class: "column" }, this.numbers, this.away));
  }

  /** Where a finding leads: to its line, or, told of the surface as a whole, to the worst place of its sort. */
  private jump(scene: Scene, k: number, show: (worst: number) => void): { disabled: boolean; onclick: () => void } {
    const row = scene.file.finding_rows![k], { code } = scene.file.proof!.findings[k];
    if (row >= 0) return { disabled: false, onclick: () => { this.board.goRow(row); this.board.lookAt(); } };
    const standing = Object.entries(STANDINGS).find(([begin]) => code.startsWith(begin))?.[1];
    const place = (scene.file.worst ?? []).findIndex((item) => item.standing === standing);
    if (place >= 0) return { disabled: false, onclick: () => show(place) };
    return standing === undefined ? { disabled: true, onclick: () => undefined } : { disabled: false, onclick: () => { this.board.choose("deviation"); this.board.lookAt(); } };
  }

  hear(desk: Desk): void {
    if (!desk.results.length) { fill(this.away); return; }
    const order = (name: string) => (name.endsWith(".ngc") ? 0 : name === "sheet.pdf" ? 1 : name === "proof.json" ? 2 : 3);
    const names = desk.results.filter((name) => !name.startsWith("pictures/")).sort((a, b) => order(a) - order(b));
    fill(this.away, h("h2", {}, T.proof.downloads), !this.board.view.scene?.proved && h("p", { class: "quiet" }, T.proof.earlier),
      h("ul", {}, ...names.map((name) => h("li", {}, h("a", { href: `api/results/${name}?save=yes`, download: name }, `${T.proof.names[name] ?? T.proof.program}`), h("span", { class: "where" }, ` ${name}`)))),
      h("button", { type: "button", onclick: () => window.print() }, T.proof.print));
  }
}
