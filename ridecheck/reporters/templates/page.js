"use strict";
for (const one of document.querySelectorAll("details")) one.open = false;

const tools = document.querySelector(".tools");
const days = then => Math.max(0, Math.floor((Date.now() - Date.parse(then)) / 864e5));
for (const one of document.querySelectorAll(".age[data-of]"))
  if (one.dataset.of) one.textContent = (tools ? "" : ", ") + days(one.dataset.of) + " d" + (tools ? "" : " old today");

if (tools) {
  tools.hidden = false;
  const find = document.getElementById("find"), order = document.getElementById("order");
  const found = document.getElementById("found");
  const bodies = [...document.querySelectorAll("main table.board tbody, main table.released tbody")];
  const listed = new Map(bodies.map(b => [b, [...b.rows]]));
  const rank = {
    bike: (a, b) => a.dataset.bike.localeCompare(b.dataset.bike, undefined, { numeric: true }),
    data: (a, b) => (a.dataset.data || "9").localeCompare(b.dataset.data || "9"),
    km: (a, b) => b.dataset.km - a.dataset.km,
    uncommanded: (a, b) => b.dataset.uncommanded - a.dataset.uncommanded
  };
  const show = () => {
    const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
    let seen = 0, all = 0;
    for (const [body, rows] of listed) {
      const by = rank[order.value];
      for (const row of by ? [...rows].sort(by) : rows) {
        const text = row.textContent.toLowerCase();
        row.hidden = !words.every(w => text.includes(w));
        all += 1;
        seen += !row.hidden;
        body.append(row);
      }
      body.closest("section").hidden = rows.every(r => r.hidden);
    }
    found.textContent = words.length ? seen + " of " + all + " bikes" : "";
  };
  find.addEventListener("input", show);
  order.addEventListener("change", show);
}

for (const strip of document.querySelectorAll(".strip")) {
  const out = strip.querySelector("output");
  if (!out) continue;
  const plots = [...strip.querySelectorAll(".plot")];
  const from = +strip.dataset.from, to = +strip.dataset.to, wide = 720;
  const hair = document.createElement("div");
  hair.className = "hair";
  hair.hidden = true;
  strip.append(hair);
  const height = (lines, x) => {
    for (const line of lines) {
      const p = [...line.points];
      if (x < p[0].x || x > p[p.length - 1].x) continue;
      const i = Math.max(1, p.findIndex(q => q.x >= x)), a = p[i - 1], b = p[i] || a;
      return b.x > a.x ? a.y + (b.y - a.y) * (x - a.x) / (b.x - a.x) : b.y;
    }
    return null;
  };
  const reading = (plot, x) => {
    const tall = plot.viewBox.baseVal.height, d = plot.dataset;
    const curves = [...plot.querySelectorAll(".curve")];
    if (!curves.length) {
      const here = [...plot.querySelectorAll("rect.on, rect.blank")].find(r => x + 0.1 >= +r.getAttribute("x") && x < +r.getAttribute("x") + +r.getAttribute("width"));
      return d.name + (here ? here.classList.contains("on") ? " on" : " blank" : " off");
    }
    return curves.map(c => {
      const y = height(c.querySelectorAll("polyline"), x);
      const v = +d.low + (1 - y / tall) * (d.high - d.low);
      return y === null ? c.dataset.name + " blank" : d.unit ? c.dataset.name + " about " + (Math.abs(v) < 20 ? v.toFixed(1) : Math.round(v)) + " " + d.unit : c.dataset.name + " " + Math.round(v);
    }).join(", ");
  };
  let x = null;
  const show = at => {
    x = Math.max(0, Math.min(wide, at));
    const box = plots[0].getBoundingClientRect(), here = strip.getBoundingClientRect();
    const last = plots[plots.length - 1].getBoundingClientRect();
    hair.hidden = false;
    hair.style.left = box.left - here.left + box.width * x / wide + "px";
    hair.style.top = box.top - here.top + "px";
    hair.style.height = last.bottom - box.top + "px";
    out.textContent = (from + (to - from) * x / wide).toFixed(2) + " s: " + plots.map(p => reading(p, x)).join(", ");
  };
  strip.addEventListener("pointermove", e => {
    const box = plots[0].getBoundingClientRect();
    if (e.clientX >= box.left && e.clientX <= box.right) show((e.clientX - box.left) / box.width * wide);
  });
  strip.addEventListener("keydown", e => {
    const zero = wide * -from / (to - from), step = e.shiftKey ? 20 : 2;
    if (e.key === "ArrowLeft") show((x === null ? zero : x) - step);
    else if (e.key === "ArrowRight") show((x === null ? zero : x) + step);
    else if (e.key === "Home") show(zero);
    else return;
    e.preventDefault();
  });
  strip.tabIndex = 0;
  out.hidden = false;
  out.textContent = "Move the pointer over the drawing, or use the arrow keys.";
}
