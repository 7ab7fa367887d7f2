// Numbers with their interval, as text.

/** Three significant digits, without exponents. */
export function figure(value) {
  if (value === null || value === undefined) return "without end";
  if (value === 0) return "0";
  const digits = Math.max(0, 2 - Math.floor(Math.log10(Math.abs(value))));
  const scale = 10 ** Math.max(0, Math.floor(Math.log10(Math.abs(value))) - 2);
  const rounded = Math.round(value / scale) * scale;
  return digits > 0 ? String(Number(value.toFixed(Math.min(digits, 9)))) : rounded.toLocaleString("en-GB", { maximumFractionDigits: 0 });
}

/** "3.1 kg/h (1.2 to 8)": never without its interval. From a thousand on in the larger unit, if there is one. */
export function between(range, unit, factor = 1, larger = "") {
  const scale = larger && range.middle >= 1000 ? 1000 : factor;
  const shown = [range.middle, range.low, range.high].map((v) => (v === null ? null : v / scale));
  return `${figure(shown[0])} ${larger && scale === 1000 ? larger : unit} (${figure(shown[1])} to ${figure(shown[2])})`;
}
