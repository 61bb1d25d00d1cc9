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
details { margin: .5rem 0; } summary { cursor: pointer; } summary:focus-visible, figure:focus-visible,
.cost:focus-visible, a:focus-visible { outline: 3px solid var(--band); outline-offset: 2px; }
.told { background: var(--panel); padding: .7rem 1rem; margin: .6rem 0; font-size: .88rem; }
.told p { font-weight: 600; margin: 0 0 .3rem; overflow-wrap: anywhere; }
.told dl { display: grid; grid-template-columns: 4.2rem 1fr; gap: .12rem .4rem; margin: 0; }
.told dt { color: var(--soft); } .told dd { margin: 0; white-space: pre-wrap; overflow-wrap: anywhere;
  font-family: ui-monospace, "DejaVu Sans Mono", monospace; font-size: .93em; }
pre { background: var(--panel); padding: .8rem 1rem; white-space: pre-wrap; overflow-wrap: anywhere; margin: .6rem 0;
  line-height: 1.35; }
figure { margin: .8rem 0; } figcaption { font-size: .86rem; color: var(--soft); min-height: 3em; }
.said { color: var(--ink); }
.plot { position: relative; height: 12.5rem; margin: 1.5rem .3rem 1.4rem 4.2rem; font-size: .76rem; color: var(--soft); }
.plot.low { height: 8rem; } .rows2 .plot { margin-bottom: 2.7rem; } .rows3 .plot { margin-bottom: 4rem; }
.pair .plot:first-child { margin-bottom: 1.9rem; }
.plot span { position: absolute; white-space: nowrap; line-height: 1.25; font-variant-numeric: tabular-nums; }
.plot .up { right: 100%; transform: translateY(50%); padding-right: .45rem; } .plot .unit { bottom: 100%; left: 0; }
.plot .at { transform: translateX(-50%); } .plot .first { transform: none; } .plot .last { transform: translateX(-100%); }
.plot .row1 { top: calc(100% + .2rem); } .plot .row2 { top: calc(100% + 1.4rem); } .plot .row3 { top: calc(100% + 2.6rem); }
.plot .in { right: .3rem; color: var(--limit); background: var(--paper); padding: 0 .25rem; margin-bottom: 3px; }
.plot svg { position: absolute; inset: 0; width: 100%; height: 100%; overflow: visible; touch-action: pan-y; }
svg * { vector-effect: non-scaling-stroke; }
svg .axis { stroke: var(--rule); fill: none; } svg .band { fill: var(--band-soft); stroke: var(--band); stroke-width: 1; }
svg .limit { stroke: var(--limit); stroke-dasharray: 7 4; stroke-width: 1.4; } svg .cursor { stroke: var(--ink); }
svg .dot { stroke-linecap: round; stroke-width: 9; } svg .worst { stroke: var(--bad); }
svg .measured { stroke: var(--got); stroke-width: 6; } svg .got { stroke: var(--got); fill: none; stroke-width: 1.6; }
svg .wanted { stroke: var(--wanted); fill: none; stroke-width: 1.6; stroke-dasharray: 5 3; }
svg .sure { stroke: var(--ink); stroke-width: 2.4; } svg .bad { stroke: var(--bad); stroke-dasharray: 2 2; }
svg .beyond { stroke: var(--bad); stroke-dasharray: 2 2; stroke-width: 1.4;
  fill: color-mix(in srgb, var(--bad) 18%, transparent); }
svg .event { stroke: var(--soft); }
.cost { display: grid; grid-template-columns: minmax(8rem, 14rem) 1fr; gap: .1rem 1rem; align-items: center;
  margin: .7rem 0; }
.cost p { grid-column: 2; margin: 0; color: var(--soft); } .cost code { overflow-wrap: anywhere; }
.track { position: relative; height: 1.2rem; background: var(--panel); border: 1px solid var(--rule); }
.track span { position: absolute; top: 0; bottom: 0; print-color-adjust: exact; -webkit-print-color-adjust: exact; }
.track .sure { background: var(--band); } .track .hollow { border: 2px solid var(--band); }
.track .maybe { border: 1px solid var(--band);
  background: repeating-linear-gradient(45deg, var(--band) 0 2px, transparent 2px 6px); }
.track .most { width: 0; border-left: 3px solid var(--limit); top: -4px; bottom: -4px; }
.track .period { width: 0; border-left: 4px double var(--ink); top: -4px; bottom: -4px; }
.note { border-left: 4px solid var(--limit); padding: .1rem 0 .1rem .9rem; margin: 1.2rem 0; }
@media (max-width: 40rem) { body { padding: 1rem .8rem 3rem; } th, td { padding-right: .45rem; }
  .plot .wide { display: none; } .plot { margin-left: 3.6rem; }
  .cost { grid-template-columns: 1fr; } .cost p { grid-column: 1; }
  pre { font-size: .78rem; padding: .6rem .7rem; }
  .told { padding: .6rem .7rem; font-size: .78rem; } .told dl { grid-template-columns: 3.2rem 1fr; }
  .claims thead { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); }
  .claims tr { display: flex; flex-wrap: wrap; gap: 0 .8rem;
  border-bottom: 1px solid var(--rule); padding: .3rem 0; } .claims td { border: 0; padding: 0; } }
@media print { html { background: #fff; color: #000; font-size: 11px; }
  details > *:not(summary) { display: revert; }
  details::details-content { content-visibility: visible; block-size: auto; }
  figure, .cost, .told, tr { break-inside: avoid; } .scroll { overflow: visible; } p:has(+ figure) { break-after: avoid; }
  figure { display: flow-root; } h2, h3, summary { break-after: avoid; } }
"""

SCRIPT = """
for (const figure of document.querySelectorAll("figure[data-plot]")) {
  const data = JSON.parse(figure.querySelector("script").textContent), bins = data.bins;
  const said = figure.querySelector(".said");
  let place = -1;
  const number = value => typeof value !== "number" ? value : (value > 0 ? "+" : "") + Number(value.toPrecision(6));
  const share = k => data.at ? data.at[k] : (bins[k][0] - data.start) / data.span;
  const exact = value => typeof value !== "number" ? value : Number(value.toPrecision(9));
  const unit = data.unit ? ` ${data.unit}` : "";
  const words = {
    trace: bin => `sample ${bin[0]}: got ${exact(bin[1])}` +
      (bin[2] === null ? "" : `, ${data.wanted} ${exact(bin[2])}`) + unit,
    envelope: bin => `${data.input} from ${bin[0]}${data.unit === data.input ? "" : unit}: ` + (data.apart
      ? `at most ${bin[3]} ${data.error} apart, at ${bin[4]}`
      : `most ${number(bin[3])} ${data.error} at ${bin[4]}, least ${number(bin[1])} ${data.error} at ${bin[2]}`),
    response: bin => `${Number(bin[0].toPrecision(6))} Hz ${bin[5]}: got ${number(bin[1])} dB, ` +
      `wanted ${number(bin[2])} dB, error ${number(bin[3])} dB, the method is sure to ${Number(bin[4].toPrecision(2))} dB`,
  };
  function show(at) {
    place = Math.max(0, Math.min(bins.length - 1, at));
    for (const line of figure.querySelectorAll(".cursor")) {
      line.setAttribute("d", `M${1000 * share(place)} 0V1000`);
      line.style.display = "";
    }
    said.textContent = words[data.kind](bins[place]);
  }
  function nearest(wanted) {
    let best = 0;
    for (let k = 0; k < bins.length; k++) if (Math.abs(share(k) - wanted) < Math.abs(share(best) - wanted)) best = k;
    return best;
  }
  for (const svg of figure.querySelectorAll("svg")) svg.addEventListener("pointermove", event => {
    const box = svg.getBoundingClientRect();
    show(nearest((event.clientX - box.left) / box.width));
  });
  figure.addEventListener("keydown", event => {
    const step = { ArrowLeft: -1, ArrowRight: 1, PageUp: -32, PageDown: 32 }[event.key];
    if (event.key === "Home") show(0); else if (event.key === "End") show(bins.length - 1);
    else if (step) show(place < 0 ? 0 : place + step); else return;
    event.preventDefault();
  });
}
"""
