/** What is printed: black on white whatever the screen wears, with all that is folded or scrolled away laid open. */
import type { Board } from "./board";

/** Lay the page out for paper while it is printed, by our button or the browser's own; all at once, for printing does not wait. */
export function printing(boards: Board[]): void {
  const root = document.documentElement;
  let worn: string | undefined, folded: HTMLDetailsElement[] = [];
  addEventListener("beforeprint", () => {
    if (root.dataset.theme !== "printed") worn = root.dataset.theme;
    root.dataset.theme = "printed";
    folded = [...document.querySelectorAll<HTMLDetailsElement>("details.laid-open:not([open])")];
    folded.forEach((part) => { part.open = true; });
    boards.forEach((board) => board.now("theme", "paper"));
  });
  addEventListener("afterprint", () => {
    root.dataset.theme = worn;
    folded.forEach((part) => { part.open = false; });
    boards.forEach((board) => board.stir("theme"));
  });
}
