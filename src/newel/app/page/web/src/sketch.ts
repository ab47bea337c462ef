/** What stands on the board while nothing else does: a bar in its jaws, and its surface unrolled, with the words for both. */
import { h, svg } from "./dom";
import { T } from "./texts";

const STRANDS = 5;

/** A drawing of the two pictures that the board will hold, and of how they belong together. */
export function sketch(): HTMLElement {
  const drawn = svg("svg", { viewBox: "0 0 1000 250", role: "img", "aria-label": T.sketch.label, class: "sketch" });
  drawn.append(
    ...bar(), ...unrolled(),
    svg("path", { d: "M470 128C500 104 520 104 548 124M548 124l-13 -2M548 124l-2 -13", class: "arrow" }), label(509, 96, T.sketch.unrolled, "middle"),
  );
  return h("figure", { class: "paper waiting" }, drawn as unknown as HTMLElement, h("figcaption", {}, T.sketch.says));
}

function bar(): SVGElement[] {
  const strand = (x: number) => `M${x} 158C${x + 14} 146 ${x + 18} 110 ${x + 34} 98`;
  return [
    svg("path", { d: "M30 60h40v136H30zM70 72h30v22H70zM70 162h30v22H70z", class: "steel" }),
    svg("path", { d: "M70 92H400V164H70z", class: "sawn" }),
    svg("path", { d: "M150 98H346C356 110 356 146 346 158H150C140 146 140 110 150 98z", class: "cut" }),
    svg("path", { d: [156, 194, 232, 270, 308].map(strand).join(""), class: "line" }),
    svg("path", { d: "M400 128l34 -17v34zM434 102h26v52h-26z", class: "steel" }),
    svg("path", { d: "M12 128H474", class: "axis-line" }),
    svg("path", { d: "M100 214H400M400 214l-10 -4M400 214l-10 4M100 206v16", class: "arrow" }), label(104, 236, "X 0"), label(396, 236, "X", "end"),
    svg("path", { d: "M116 84a17 46 0 0 1 0 88M116 84l3 11M116 84l12 2M116 172l3 -11M116 172l12 -2", class: "arrow" }), label(120, 78, "A"),
    label(30, 28, T.sketch.solid),
  ];
}

function unrolled(): SVGElement[] {
  const [left, top, wide, tall] = [590, 52, 392, 152];
  const [from, to] = [left + 96, left + wide - 72];
  const lines = Array.from({ length: STRANDS }, (_, k) => {
    const x = from + (k * (to - from)) / STRANDS;
    return `M${x} ${top + tall}L${x + (to - from) / STRANDS} ${top}`;
  });
  const ticks = [0, 90, 180, 270].map((turn) => `M${left} ${top + (turn / 360) * tall}h-8`);
  return [
    svg("path", { d: `M${left} ${top}h${wide}v${tall}h-${wide}z`, class: "sawn" }),
    svg("path", { d: `M${left} ${top}h36v${tall}h-36z`, class: "steel" }),
    svg("path", { d: `M${from} ${top}H${to}V${top + tall}H${from}z`, class: "cut" }),
    svg("path", { d: lines.join(""), class: "line" }),
    svg("path", { d: ticks.join(""), class: "line" }), ...[0, 90, 180, 270].map((turn) => label(left - 12, top + (turn / 360) * tall + 5, `${turn}°`, "end")),
    svg("path", { d: `M${left + 36} 220H${left + wide}M${left + wide} 220l-10 -4M${left + wide} 220l-10 4M${left + 36} 212v16`, class: "arrow" }),
    label(left + 40, 242, "X 0"), label(left + wide - 4, 242, "X", "end"),
    label(left, 28, T.sketch.development),
  ];
}

const label = (x: number, y: number, text: string, anchor = "start"): SVGElement => svg("text", { x, y, "text-anchor": anchor }, text);
