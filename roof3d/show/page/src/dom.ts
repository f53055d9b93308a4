/** Building elements without markup: no text ever becomes HTML. */

type Child = Node | string | null | undefined;
type Given = Record<string, string | number | boolean | EventListener | undefined>;

export function h<K extends keyof HTMLElementTagNameMap>(
  name: K,
  given: Given = {},
  ...children: Child[]
): HTMLElementTagNameMap[K] {
  const made = document.createElement(name);
  fill(made, given, children);
  return made;
}

export function svg(name: string, given: Given = {}, ...children: Child[]): SVGElement {
  const made = document.createElementNS("http://www.w3.org/2000/svg", name);
  fill(made, given, children);
  return made;
}

function fill(made: Element, given: Given, children: Child[]): void {
  for (const [key, value] of Object.entries(given)) {
    if (value === undefined || value === false) continue;
    if (typeof value === "function") made.addEventListener(key, value);
    else if (key === "class") made.setAttribute("class", String(value));
    else made.setAttribute(key, value === true ? "" : String(value));
  }
  for (const child of children) {
    if (child !== null && child !== undefined) made.append(child);
  }
}

/** Puts other children into an element. */
export function put(into: Element, ...children: Child[]): void {
  into.replaceChildren(...children.filter((c): c is Node | string => c !== null && c !== undefined));
}
