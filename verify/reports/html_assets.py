"""Look and behaviour of the HTML report: no file beside it, nothing fetched, light and dark by the reader's setting."""

from __future__ import annotations

STYLE = """
:root { --ink: #1c2430; --soft: #5b6675; --paper: #fbfaf7; --panel: #f1efe9; --rule: #d6d2c7; --band: #3b6ea5;
  --band-soft: #3b6ea540; --limit: #a04a00; --bad: #a3262e; --good: #24653a; --got: #a04a00; --wanted: #3b6ea5; }
@media (prefers-color-scheme: dark) { :root { --ink: #e6e3da; --soft: #a3a9b2; --paper: #15181d; --panel: #1e232a;
  --rule: #3a414b; --band: #7fb0e6; --band-soft: #7fb0e640; --limit: #f0a35e; --bad: #ff8f8f; --good: #8fd0a2;
  --got: #f0a35e; --wanted: #7fb0e6; } }
* { box-sizing: border-box; }
html { color: var(--ink); background: var(--paper); font: 15px/1.5 system-ui, sans-serif; }
body { margin: 0 auto; padding: 1.6rem 1.2rem 4rem; max-width: 58rem; }
h1 { font-size: 1.5rem; margin: 0 0 .2rem; } h2 { font-size: 1.15rem; margin: 2.6rem 0 .3rem; }
h2 code, h1 code { font-size: .95em; } p { margin: .4rem 0; }
code, pre, .number { font-family: ui-monospace, "DejaVu Sans Mono", monospace; font-size: .9em; }
.soft { color: var(--soft); } .small { font-size: .86rem; }
a { color: var(--band); }
.tally { display: flex; align-items: baseline; flex-wrap: wrap; gap: .5rem 1.6rem; margin: .8rem 0; padding: .7rem 1rem;
  background: var(--panel); }
.tally b { font-size: 1.25rem; margin-right: .35rem; }
table { border-collapse: collapse; width: 100%; margin: .6rem 0; font-size: .9rem; }
th { text-align: left; font-weight: 600; color: var(--soft); } th, td { padding: .28rem .7rem .28rem 0;
  border-bottom: 1px solid var(--rule); vertical-align: top; }
.scroll { overflow-x: auto; } td.verdict { white-space: nowrap; font-weight: 600; }
.holds { color: var(--good); } .fails { color: var(--bad); } .other { color: var(--limit); }
.mark { display: inline-block; min-width: 1.3em; }
details { margin: .5rem 0; } summary { cursor: pointer; } summary:focus-visible, figure:focus-visible, a:focus-visible {
  outline: 3px solid var(--band); outline-offset: 2px; }
pre { background: var(--panel); padding: .8rem 1rem; overflow-x: auto; margin: .6rem 0; line-height: 1.35; }
figure { margin: .8rem 0; } figcaption { font-size: .86rem; color: var(--soft); min-height: 1.5em; }
svg { width: 100%; height: auto; display: block; } svg text { fill: var(--soft); font: 11px system-ui, sans-serif; }
svg .axis { stroke: var(--rule); fill: none; } svg .band { fill: var(--band-soft); stroke: var(--band); stroke-width: 1; }
svg .limit { stroke: var(--limit); stroke-dasharray: 7 4; stroke-width: 1.4; } svg .cursor { stroke: var(--ink); }
svg .worst { fill: var(--bad); } svg .got { stroke: var(--got); fill: none; stroke-width: 1.6; }
svg .wanted { stroke: var(--wanted); fill: none; stroke-width: 1.6; stroke-dasharray: 5 3; }
svg .beyond { stroke: var(--bad); stroke-dasharray: 2 2; stroke-width: 1.4;
  fill: color-mix(in srgb, var(--bad) 18%, transparent); }
svg .event { stroke: var(--soft); }
.note { border-left: 4px solid var(--limit); padding: .1rem 0 .1rem .9rem; margin: 1.2rem 0; }
@media (max-width: 40rem) { body { padding: 1rem .8rem 3rem; } th, td { padding-right: .45rem; } }
@media print { html { background: #fff; color: #000; font-size: 11px; } details { break-inside: avoid; }
  details > *:not(summary) { display: revert; } }
"""

SCRIPT = """
for (const figure of document.querySelectorAll("figure[data-plot]")) {
  const data = JSON.parse(figure.querySelector("script").textContent);
  const svg = figure.querySelector("svg"), line = svg.querySelector(".cursor");
  const said = figure.querySelector("figcaption span");
  const left = +svg.dataset.left, right = +svg.dataset.right, wide = svg.viewBox.baseVal.width;
  let place = -1;
  const number = value => (value > 0 ? "+" : "") + Number(value.toPrecision(6));
  function show(at) {
    const bins = data.bins;
    place = Math.max(0, Math.min(bins.length - 1, at));
    const bin = bins[place], x = left + (right - left) * (data.x[place] ?? (place + .5) / bins.length);
    line.setAttribute("x1", x); line.setAttribute("x2", x); line.style.display = "";
    said.textContent = data.kind === "trace"
      ? `sample ${bin[0]}: got ${bin[1]}` + (bin[2] === null ? "" : `, wanted ${bin[2]}`) + ` ${data.unit}`
      : `${data.input} from ${bin[0]} ${data.unit}: most ${number(bin[3])} ${data.error} at ${bin[4]}, ` +
        `least ${number(bin[1])} ${data.error} at ${bin[2]}`;
  }
  function nearest(share) {
    let best = 0;
    for (let k = 0; k < data.x.length; k++) if (Math.abs(data.x[k] - share) < Math.abs(data.x[best] - share)) best = k;
    return best;
  }
  svg.addEventListener("pointermove", event => {
    const box = svg.getBoundingClientRect(), x = (event.clientX - box.left) / box.width * wide;
    show(nearest((x - left) / (right - left)));
  });
  figure.addEventListener("keydown", event => {
    const step = { ArrowLeft: -1, ArrowRight: 1, PageUp: -32, PageDown: 32 }[event.key];
    if (event.key === "Home") show(0); else if (event.key === "End") show(data.bins.length - 1);
    else if (step) show(place < 0 ? 0 : place + step); else return;
    event.preventDefault();
  });
}
"""
