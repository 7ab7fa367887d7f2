// Building elements without a framework.

const SVG = "http://www.w3.org/2000/svg";

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else node.setAttribute(name, value === true ? "" : String(value));
  }
  for (const child of children.flat(Infinity)) {
    if (child !== null && child !== undefined && child !== false) node.append(child);
  }
  return node;
}

/** An HTML element: h("p", {class: "note"}, "text", otherElement). */
export function h(tag, attributes, ...children) {
  return fill(document.createElement(tag), attributes, children);
}

/** The same for SVG. */
export function s(tag, attributes, ...children) {
  return fill(document.createElementNS(SVG, tag), attributes, children);
}

export const pathOf = {
  group: (name) => `/group/${encodeURIComponent(name)}`,
  valve: (tag) => `/valve/${encodeURIComponent(tag)}`,
};

/** Decibels as text: "+14 dB", "0.4 dB"; tenths only where they matter. */
export function decibels(value, sign = false) {
  if (value === null || value === undefined) return "–";
  const shown = Math.abs(value) < 9.95 ? value.toFixed(1) : value.toFixed(0);
  const text = shown.replace("-", "−");
  return `${sign && value > 0 ? "+" : ""}${text} dB`;
}

export function number(value, digits, unit = "") {
  if (value === null || value === undefined) return "–";
  const text = value.toFixed(digits).replace(/^-(?=[0.]*$)/, ""); // no minus before a zero
  return `${text.replace("-", "−")}${unit ? ` ${unit}` : ""}`;
}

/** `1 alarm`, `3 alarms`. */
export const counted = (n, noun) => `${n} ${noun}${n === 1 ? "" : "s"}`;

/** Download text as a file. */
export function download(name, text, type) {
  const link = h("a", { href: URL.createObjectURL(new Blob([text], { type })), download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
}

/** Fetch JSON; an error carries the sentence of the problem details. */
export async function ask(path, options) {
  const response = await fetch(path, { headers: { Accept: "application/json" }, ...options });
  const body = await response.json().catch(() => ({}));
  if (response.status === 401) location.assign(`/sign-in?next=${encodeURIComponent(location.pathname + location.search)}`);
  if (!response.ok) {
    const error = new Error(body.detail ?? `The service answered ${response.status}.`);
    error.status = response.status;
    throw error;
  }
  return body;
}

/** Ask for a list page by page. `key` names the list. */
export async function askAll(path, key) {
  const rows = [];
  for (let next = path; next; ) {
    const page = await ask(next);
    rows.push(...page[key]);
    next = page.next;
  }
  return rows;
}
