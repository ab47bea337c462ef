/** Small makers of elements: no templates, so that no text can become markup. */
import { T } from "./texts";

type Child = Node | string | null | undefined | false;
type Props = Record<string, unknown>;

export function h<K extends keyof HTMLElementTagNameMap>(tag: K, props: Props = {}, ...children: Child[]): HTMLElementTagNameMap[K] {
  const made = document.createElement(tag);
  for (const [key, value] of Object.entries(props)) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value as EventListener);
    else if (key === "value" || key === "checked" || key === "disabled") (made as unknown as Props)[key] = value;
    else made.setAttribute(key, value === true ? "" : String(value));
  }
  made.append(...children.filter((child): child is Node | string => child !== null && child !== undefined && child !== false));
  return made;
}

const SVG = "http://www.w3.org/2000/svg";

export function svg(tag: string, props: Props = {}, ...children: (Node | string)[]): SVGElement {
  const made = document.createElementNS(SVG, tag) as SVGElement;
  for (const [key, value] of Object.entries(props)) made.setAttribute(key, String(value));
  made.append(...children);
  return made;
}

export function fill(place: Element, ...children: Child[]): void {
  place.replaceChildren(...children.filter((child): child is Node | string => !!child));
}

export function fixed(value: number | null | undefined, digits: number, unit: string): string {
  return value === null || value === undefined || !Number.isFinite(value) ? "—" : `${value.toFixed(digits)} ${unit}`.replace(" °", "°").replace(" %", " %");
}

/** A share of a whole in percent; what is there and rounds to nothing is not called nothing. */
export function percent(share: number): string {
  const unit = T.units.pct, pct = 100 * share;
  return pct > 0 && pct < 0.05 ? `< 0.1 ${unit}` : fixed(pct, 1, unit);
}

export function minutes(value: number | null | undefined): string {
  if (value === null || value === undefined || !Number.isFinite(value)) return "—";
  const seconds = Math.round(value * 60);
  const hours = Math.floor(seconds / 3600);
  const two = (n: number) => String(n).padStart(2, "0");
  return hours ? `${hours} h ${two(Math.floor(seconds / 60) % 60)} min` : `${Math.floor(seconds / 60)} min ${two(seconds % 60)} s`;
}

/** A canvas that follows its box and the screen's pixels; calls back when its size has changed. */
export function fitted(canvas: HTMLCanvasElement, redraw: () => void, resizes = true): () => { w: number; h: number; ratio: number } {
  const size = () => {
    const ratio = Math.min(window.devicePixelRatio || 1, 2);
    const w = Math.max(1, canvas.clientWidth);
    const tall = Math.max(1, canvas.clientHeight);
    if (resizes && (canvas.width !== Math.round(w * ratio) || canvas.height !== Math.round(tall * ratio))) {
      canvas.width = Math.round(w * ratio);
      canvas.height = Math.round(tall * ratio);
    }
    return { w, h: tall, ratio };
  };
  new ResizeObserver(() => redraw()).observe(canvas);
  return size;
}

export function colour(name: string): string {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

export function rgb(name: string): [number, number, number] {
  const text = colour(name);
  return [1, 3, 5].map((k) => parseInt(text.slice(k, k + 2), 16)) as [number, number, number];
}
