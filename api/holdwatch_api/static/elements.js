// @ts-check
// Finds, builds and fills the elements of a page.

const SVG = "http://www.w3.org/2000/svg";

/**
 * The element of an id, which the page has.
 * @param {string} id
 * @returns {any} of the kind that the page gives it
 */
export const find = (id) => document.getElementById(id);

/**
 * An element with its properties, attributes (`aria-…`, `data-…`, `for`) and children.
 * @template {keyof HTMLElementTagNameMap} T
 * @param {T} tag
 * @param {Record<string, unknown>} [properties] what is null or undefined is left out
 * @param {...any} children nodes, texts, or lists of them; what is null, undefined or "" is left out
 * @returns {HTMLElementTagNameMap[T]}
 */
export function el(tag, properties = {}, ...children) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(properties)) {
    if (value === null || value === undefined) continue;
    if (key in node && !key.includes("-")) Object.assign(node, { [key]: value });
    else if (value !== false) node.setAttribute(key, value === true ? "" : String(value));
  }
  node.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== ""));
  return node;
}

/**
 * An element of a drawing, with its attributes and children.
 * @template {keyof SVGElementTagNameMap} T
 * @param {T} tag
 * @param {Record<string, string | number>} [attributes]
 * @param {...(Node | string)} children
 * @returns {SVGElementTagNameMap[T]}
 */
export function svg(tag, attributes = {}, ...children) {
  const node = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, String(value));
  node.append(...children);
  return node;
}

/** Show a part only with something in it. */
export function fill(/** @type {HTMLElement} */ node, /** @type {any[]} */ ...children) {
  const shown = children.flat().filter((child) => child !== null && child !== undefined);
  node.replaceChildren(...shown);
  const section = node.closest("section");
  if (section?.dataset.optional !== undefined) section.hidden = !shown.length;
}

/** Set text only when it differs, so that a screen reader is not told the same twice. */
export function say(/** @type {Element} */ node, /** @type {string} */ text) {
  if (node.textContent !== text) node.textContent = text;
}
