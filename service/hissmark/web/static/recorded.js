// What records of findings and repairs look like wherever they are shown.

import { h, pathOf } from "./dom.js";

export const valveLink = (tag) => h("a", { href: pathOf.valve(tag), class: "whole" }, tag);
export const money = (cost) => (cost ? `${cost.amount.replace(/\B(?=(\d{3})+\.)/g, "\u202f")} ${cost.currency}` : "");
export const stateOf = (row) => {
  if (row.withdrawn) return "taken back";
  if (row.superseded_by) return `corrected by ${row.superseded_by}`;
  return row.check ? row.check.state : "no check: work on the sensor";
};
