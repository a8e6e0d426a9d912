"""The style of printed pages: A4, 15 mm sides, white; only severity has colour, and it reads in grey."""

STYLE = """
@page { size: A4; margin: 0; }
* { box-sizing: border-box; }
html { background: var(--desk); -webkit-print-color-adjust: exact; print-color-adjust: exact; }
body { margin: 0; color: var(--ink); font: 9pt/12.5pt "PT Sans", "Noto Sans", "Segoe UI", Arial, sans-serif;
  font-variant-numeric: tabular-nums; }
.page { position: relative; width: 210mm; height: 297mm; margin: 8mm auto; padding: 14mm 15mm 0; background: white;
  overflow: hidden; break-after: page; }
.page:last-child { break-after: auto; }
@media print { html { background: white; } .page { margin: 0; } }
header, footer { display: flex; justify-content: space-between; }
header { padding-bottom: 3mm; border-bottom: 1px solid var(--ink); color: var(--ink2); }
header b { color: var(--ink); }
footer span:last-child { white-space: nowrap; }
footer { position: absolute; left: 15mm; right: 15mm; bottom: 8mm; padding-top: 2mm;
  border-top: 1px solid var(--rule2); color: var(--ink3); font-size: 7.4pt; line-height: 9pt; }
.body { height: 254mm; overflow: hidden; }
h1 { margin: 5mm 0 2mm; font: 700 17pt/20pt "PT Serif", "Noto Serif", Georgia, serif; }
h2 { margin: 4mm 0 1mm; font-size: 9.6pt; line-height: 12pt; font-weight: 400; }
p { margin: 0 0 1.5mm; }
.finding { font: 11pt/15pt "PT Serif", "Noto Serif", Georgia, serif; margin-bottom: 2mm; }
.soft, .subject { color: var(--ink3); }
.subject { margin-bottom: 1mm; }
.small { font-size: 7.4pt; line-height: 10pt; color: var(--ink3); }
.plain { margin: 0; padding-left: 4mm; }
.two { display: grid; grid-template-columns: 1fr 1fr; column-gap: 9mm; align-items: start; }
table { width: 100%; border-collapse: collapse; }
th { text-align: left; font-size: 7.4pt; line-height: 9pt; font-weight: 400; color: var(--ink3);
  padding: 0 6pt 2pt 0; border-bottom: 1px solid var(--rule2); vertical-align: bottom; }
td { padding: 1.6pt 6pt 1.6pt 0; line-height: 11pt; vertical-align: top; border-bottom: 1px solid var(--rule); }
th:last-child, td:last-child { padding-right: 0; }
.right { text-align: right; }
td.right, td.soft { white-space: nowrap; } table:has(colgroup) td.soft { white-space: normal; }
tr { break-inside: avoid; }
.number { display: inline-flex; width: 15px; height: 15px; border: 1.2px solid var(--ink); border-radius: 50%;
  align-items: center; justify-content: center; font: 700 9.5px/1 "PT Sans", "Noto Sans", Arial, sans-serif; }
.number.found { background: var(--ink); color: white; }
.line { display: inline; } .line::before { content: ", "; }
.severity { display: inline-flex; align-items: center; gap: 3px; white-space: nowrap; }
.sev { width: 11px; height: 11px; flex: none; stroke-width: 1.6; stroke-linejoin: round; overflow: visible; }
.sev.high { fill: var(--high); stroke: var(--high); } .sev.medium { fill: var(--medium); stroke: var(--medium); }
.sev.low { fill: var(--low); stroke: var(--low); } .sev.possible { fill: none; }
span.hatch { display: inline-block; width: 16px; height: 8px; border: 1px solid var(--hatch);
  background: repeating-linear-gradient(-45deg, var(--hatch) 0 1px, transparent 1px 4px); }
.origin { width: 30px; height: 9px; flex: none; vertical-align: -1px; }
.origin .likely { fill: var(--ink); } .origin .open { fill: none; stroke: var(--ink2); }
.origin .ruled-out { fill: var(--ink3); }
svg text { font: 7.4pt "PT Sans", "Noto Sans", Arial, sans-serif; fill: var(--ink3); }
svg text.strong { fill: var(--ink); font-weight: 700; } svg .name { fill: var(--ink); }
.hatching { stroke: var(--hatch); stroke-width: 1; }
.unknown { fill: url(#hatch); } .axis { stroke: var(--rule2); } .hair { stroke: var(--rule); }
.line-1, .line-2, .line-3, .line-4 { fill: none; stroke: var(--ink); stroke-width: 1.2; stroke-linejoin: round; }
.line-2 { stroke-dasharray: 4 2; } .line-3 { stroke-dasharray: 1.5 1.5; } .line-4 { stroke-dasharray: 6 2 1.5 2; }
.sample { fill: var(--ink); } .state-1 { fill: var(--band); } .state-2 { fill: var(--solid); }
svg text.on-solid { fill: white; }
.limit { stroke-width: 1.4; } .limit.low { stroke: var(--low); stroke-dasharray: 1.6 2; }
.limit.medium { stroke: var(--medium); stroke-dasharray: 4 2; } .limit.high { stroke: var(--high); }
.bound { stroke: var(--ink); stroke-width: 1.3; fill: none; } .dot { fill: var(--ink); }
.band { fill: var(--band); } .bar { fill: var(--rule2); } .bar.dark { fill: var(--solid); }
.bar.open { fill: white; stroke: var(--solid); } .median { stroke: var(--ink3); } .tail { fill: var(--rule2); }
.interval { stroke: var(--edge); stroke-width: 1.2; } .interval.now { stroke: var(--ink); stroke-width: 1.6; }
.signal { fill: none; stroke: var(--ink); stroke-width: 1.2; }
.runway { width: 100%; display: block; overflow: visible; }
.runway .centre { stroke: white; stroke-width: 1.5; stroke-dasharray: 16 20; }
.runway .paint { fill: white; } .runway .path { stroke: var(--ink); stroke-width: 2; }
.runway .milestone { stroke: var(--ink); stroke-width: 1.6; } .runway .leader { stroke: var(--rule2); }
.runway circle.badge { fill: white; stroke: var(--ink); stroke-width: 1.3; }
.runway circle.badge.found { fill: var(--ink); }
.runway text.badge { font: 700 10px "PT Sans", "Noto Sans", Arial, sans-serif; fill: var(--ink); }
.runway text.badge.found { fill: white; } .runway text.strong { fill: var(--ink2); font-weight: 400; }
.standing p { display: flex; justify-content: space-between; margin: 0 0 1px; line-height: 10.5pt; }
.standing svg { display: block; margin-bottom: 3px; overflow: visible; }
.cost svg { display: block; margin-top: -2px; } .cost p { margin-bottom: 1mm; }
.stopping td { padding-right: 4pt; } .stopping td:first-child { width: 38mm; }
.multiples { display: grid; grid-template-columns: repeat(4, 1fr); row-gap: 2mm; }
.bars td { border-bottom: 0; padding-top: 1pt; padding-bottom: 1pt; } .bars td:first-child { white-space: nowrap; }
.write td { height: 13mm; } .body:has(.rest) { display: flex; flex-direction: column; }
.rest { flex: 1; align-items: stretch; } .rest > div { display: flex; flex-direction: column; }
.notes { flex: 1; background: repeating-linear-gradient(transparent 0 calc(8mm - 1px), var(--rule2) 0 8mm); }
.sources { margin: 2mm 0 0; }
"""
