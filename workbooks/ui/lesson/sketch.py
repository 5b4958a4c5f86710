"""Two small widgets of the browser: a line that is drawn by hand, and what a lesson keeps in the visitor's own browser."""

from __future__ import annotations

import anywidget
import traitlets

from .step import Sketch

_DRAW = """
const NS = "http://www.w3.org/2000/svg";
const W = 640, H = 300, L = 62, R = 16, T = 18, B = 50;
function make(name, attributes, parent, text) {
  const e = document.createElementNS(NS, name);
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
  if (text !== undefined) e.textContent = text;
  parent.append(e);
  return e;
}
function render({ model, el }) {
  const at = model.get("places"), low = model.get("low"), high = model.get("high"), step = model.get("step");
  const digits = model.get("digits"), unit = model.get("unit"), label = model.get("label");
  const x0 = at[0], x1 = at[at.length - 1], room = 0.04 * (x1 - x0);
  const X = (x) => L + (x - x0 + room) / (x1 - x0 + 2 * room) * (W - L - R);
  const Y = (y) => T + (high - y) / (high - low) * (H - T - B);
  const svg = make("svg", { viewBox: `0 0 ${W} ${H}`, class: "nw-sketch", role: "group", "aria-label": `Draw ${label}` }, el);
  const rough = (high - low) / 5, ten = 10 ** Math.floor(Math.log10(rough));
  const tick = ten * [1, 2, 5, 10].find((n) => n * ten >= rough * 0.999);
  for (let y = Math.ceil(low / tick - 1e-9) * tick; y <= high + 1e-9; y += tick) {
    make("line", { x1: L, x2: W - R, y1: Y(y), y2: Y(y), class: "nw-sketch-grid" }, svg);
    make("text", { x: L - 8, y: Y(y) + 4, "text-anchor": "end" }, svg, y.toFixed(Math.max(0, -Math.floor(Math.log10(tick)))));
  }
  for (const x of at) make("text", { x: X(x), y: H - B + 20, "text-anchor": "middle" }, svg, x);
  make("text", { x: (L + W - R) / 2, y: H - 8, "text-anchor": "middle" }, svg, model.get("across"));
  make("text", { transform: `translate(14 ${(T + H - B) / 2}) rotate(-90)`, "text-anchor": "middle" }, svg, `${label}${unit ? ", " + unit : ""}`);
  const line = make("polyline", { class: "nw-sketch-line" }, svg);
  const round = (y) => Math.min(high, Math.max(low, low + Math.round((y - low) / step) * step));
  let held = null;
  const handles = at.map((x, k) => {
    const g = make("g", { class: "nw-sketch-handle", tabindex: 0, role: "slider", "aria-orientation": "vertical",
      "aria-label": `${label} at ${x}`, "aria-valuemin": low, "aria-valuemax": high }, svg);
    make("circle", { r: 16, class: "nw-sketch-grip" }, g);
    make("circle", { r: 8 }, g);
    make("text", { y: -13, "text-anchor": "middle" }, g);
    g.addEventListener("keydown", (e) => {
      const by = { ArrowUp: 1, ArrowRight: 1, ArrowDown: -1, ArrowLeft: -1, PageUp: 10, PageDown: -10 }[e.key];
      const to = e.key === "Home" ? low : e.key === "End" ? high : by ? model.get("values")[k] + by * step : null;
      if (to === null || model.get("locked")) return;
      e.preventDefault();
      put(k, to);
    });
    return g;
  });
  function put(k, y) {
    const values = [...model.get("values")];
    values[k] = Number(round(y).toFixed(6));
    model.set("values", values);
    model.save_changes();
  }
  function move(e) {
    if (held === null || model.get("locked")) return;
    const box = svg.getBoundingClientRect();
    put(held, low + (1 - ((e.clientY - box.top) * H / box.height - T) / (H - T - B)) * (high - low));
  }
  svg.addEventListener("pointerdown", (e) => {
    if (model.get("locked")) return;
    const box = svg.getBoundingClientRect(), x = (e.clientX - box.left) * W / box.width;
    held = at.map((v, k) => [Math.abs(X(v) - x), k]).sort((a, b) => a[0] - b[0])[0][1];
    svg.setPointerCapture(e.pointerId);
    e.preventDefault();
    handles[held].focus({ preventScroll: true });
    move(e);
  });
  svg.addEventListener("pointermove", move);
  svg.addEventListener("pointerup", () => { held = null; });
  svg.addEventListener("pointercancel", () => { held = null; });
  function draw() {
    const values = model.get("values");
    line.setAttribute("points", values.map((y, k) => `${X(at[k])},${Y(y)}`).join(" "));
    handles.forEach((g, k) => {
      g.setAttribute("transform", `translate(${X(at[k])} ${Y(values[k])})`);
      g.setAttribute("aria-valuenow", values[k]);
      g.setAttribute("aria-valuetext", `${values[k].toFixed(digits)} ${unit}`);
      g.setAttribute("aria-disabled", model.get("locked"));
      g.lastChild.textContent = values[k].toFixed(digits);
    });
    svg.classList.toggle("nw-locked", model.get("locked"));
  }
  model.on("change:values", draw);
  model.on("change:locked", draw);
  draw();
  return () => { model.off("change:values", draw); model.off("change:locked", draw); };
}
export default { render };
"""


class SketchBoard(anywidget.AnyWidget):
    """Handles over an axis, moved by hand or by arrow keys; `values` are their heights. What a browser sends is checked by the lesson."""

    _esm = _DRAW
    places = traitlets.List(traitlets.Float()).tag(sync=True)
    values = traitlets.List(traitlets.Float()).tag(sync=True)
    low, high, step = (traitlets.Float().tag(sync=True) for _ in range(3))
    digits = traitlets.Int(0).tag(sync=True)
    across, label, unit = (traitlets.Unicode().tag(sync=True) for _ in range(3))
    locked = traitlets.Bool(False).tag(sync=True)

    @classmethod
    def of(cls, ask: Sketch) -> SketchBoard:
        """Return the board of a question."""
        low, high, step = ask.span
        return cls(
            places=list(ask.places), values=[float(ask.start)] * len(ask.places), low=low, high=high, step=step,
            digits=ask.digits, across=ask.across, label=ask.label, unit=ask.unit,
        )  # fmt: skip


class Keepsake(anywidget.AnyWidget):
    """A text that the visitor's own browser keeps under a name; the server stores nothing."""

    _esm = """
    function render({ model }) {
      const key = () => "workbook lesson " + model.get("name");
      const keep = () => {
        try {
          if (model.get("text")) localStorage.setItem(key(), model.get("text"));
          else localStorage.removeItem(key());
        } catch (error) { /* a browser that keeps nothing */ }
      };
      let kept = "";
      try { kept = localStorage.getItem(key()) || ""; } catch (error) { /* as above */ }
      if (kept && !model.get("text")) { model.set("found", kept); model.save_changes(); }
      model.on("change:text", keep);
      return () => model.off("change:text", keep);
    }
    export default { render };
    """
    name = traitlets.Unicode().tag(sync=True)
    text = traitlets.Unicode().tag(sync=True)
    found = traitlets.Unicode().tag(sync=True)
