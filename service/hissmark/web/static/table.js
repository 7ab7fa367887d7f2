// Tables that sort, copy cleanly and can be taken along as CSV.

import { download, h } from "./dom.js";

const sorted = new Map(); // table name -> {column, down}: a redraw keeps the order

/** columns: {name, value(row), cell?(row), digits?}; value sorts and exports, cell shows. */
export function table(columns, rows, { name, caption }) {
  const body = h("tbody", {});
  const heads = columns.map((column, i) => // the first column names the row: it is no figure
    h("th", { scope: "col", class: i > 0 && column.digits !== undefined ? "figure" : null },
      h("button", { type: "button", class: "sort", onclick: () => sortBy(column) }, column.name)));
  const order = () => {
    const by = sorted.get(name);
    heads.forEach((head, i) => {
      const own = by?.column === columns[i].name;
      if (own) head.setAttribute("aria-sort", by.down ? "descending" : "ascending");
      else head.removeAttribute("aria-sort");
    });
    body.replaceChildren(...arranged(columns, rows, by).map((row) => line(columns, row)));
  };
  const sortBy = (column) => {
    const by = sorted.get(name);
    if (by?.column === column.name && by.down) sorted.delete(name);
    else sorted.set(name, { column: column.name, down: by?.column === column.name });
    order();
  };
  order();
  return h("div", {},
    h("table", {}, h("caption", {}, caption), h("thead", {}, h("tr", {}, heads)), body),
    h("button", { type: "button", class: "quiet", onclick: () => download(`${name}.csv`, csv(columns, rows), "text/csv") }, "Download as CSV"));
}

function arranged(columns, rows, by) {
  const column = by && columns.find((c) => c.name === by.column);
  if (!column) return rows;
  const sign = by.down ? -1 : 1;
  return [...rows].sort((a, b) => {
    const [x, y] = [column.value(a), column.value(b)];
    if (x === null || x === undefined) return 1;
    if (y === null || y === undefined) return -1;
    return sign * (typeof x === "number" ? x - y : String(x).localeCompare(String(y), undefined, { numeric: true }));
  });
}

function line(columns, row) {
  return h("tr", {}, columns.map((column, i) => {
    const value = column.value(row);
    const shown = column.cell ? column.cell(row) : text(value, column.digits);
    const figure = column.digits !== undefined ? "figure" : null;
    return i === 0 ? h("th", { scope: "row" }, shown) : h("td", { class: figure }, shown);
  }));
}

function text(value, digits) {
  if (value === null || value === undefined) return "";
  return typeof value === "number" && digits !== undefined ? value.toFixed(digits) : String(value);
}

/** RFC 4180; cells that a spreadsheet would take for a formula are kept text. */
export function csv(columns, rows) {
  const quote = (value) => {
    let cell = value === null || value === undefined ? "" : String(value);
    if (typeof value !== "number" && /^[=+\-@\t]/.test(cell)) cell = `'${cell}`;
    return /[",\r\n]/.test(cell) ? `"${cell.replaceAll('"', '""')}"` : cell;
  };
  const lines = [columns.map((c) => quote(c.name)), ...rows.map((row) => columns.map((c) => quote(c.value(row))))];
  return lines.map((cells) => cells.join(",")).join("\r\n") + "\r\n";
}
