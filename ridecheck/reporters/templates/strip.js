for (const box of document.querySelectorAll(".strip-box")) {
  const svg = box.querySelector("svg.strip"), out = box.querySelector("output");
  const line = svg.querySelector(".cursor"), d = svg.dataset;
  const t = d.t.split(",").map(Number);
  const left = +d.left, plot = +d.plot, from = +d.from, to = +d.to;
  const lanes = [...svg.querySelectorAll("[data-v]")].map(g => ({
    name: g.dataset.name, unit: g.dataset.unit, kind: g.dataset.kind, v: g.dataset.v.split(",")
  }));
  let at = -1;
  const reading = (lane, i) => {
    const v = lane.v[i];
    if (v === "") return lane.name + " blank";
    if (lane.kind === "switch") return lane.name + (+v ? " on" : " off");
    return (lane.name + " " + v + " " + lane.unit).trim();
  };
  const show = i => {
    at = Math.max(0, Math.min(t.length - 1, i));
    const x = left + plot * (t[at] - from) / (to - from);
    line.setAttribute("x1", x);
    line.setAttribute("x2", x);
    out.textContent = t[at].toFixed(3) + " s: " + lanes.map(l => reading(l, at)).join(", ");
  };
  const nearest = s => {
    let best = 0;
    t.forEach((x, i) => { if (Math.abs(x - s) < Math.abs(t[best] - s)) best = i; });
    return best;
  };
  svg.addEventListener("pointermove", e => {
    const r = svg.getBoundingClientRect();
    const x = (e.clientX - r.left) / r.width * svg.viewBox.baseVal.width;
    show(nearest(from + (x - left) / plot * (to - from)));
  });
  box.addEventListener("keydown", e => {
    const step = { ArrowLeft: -1, ArrowRight: 1 }[e.key];
    if (step) show(at < 0 ? nearest(0) : at + step * (e.shiftKey ? 10 : 1));
    else if (e.key === "Home") show(nearest(0));
    else return;
    e.preventDefault();
  });
  box.tabIndex = 0;
  out.hidden = false;
}
