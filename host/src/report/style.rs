//! The page's style sheet. Colours come from the palette only.

use super::kind::REHEARSAL;
use super::palette;

/// The whole style sheet of a page; `footer` is plain ASCII fit for a CSS string.
pub(super) fn style(rehearsal: bool, footer: &str) -> String {
    // Hatched edges take the place of half the margin: the text is as wide in a rehearsal as in an acceptance.
    let side = if rehearsal { "8.5mm" } else { "14mm" };
    let mark = if rehearsal { REHEARSAL } else { "" };
    let page = format!(
        "@page{{size:A4;margin:12mm {side} 14mm;\
         @bottom-left{{content:\"{footer}\";font:7.5pt Arial,sans-serif}}\
         @bottom-center{{content:\"{mark}\";font:bold 8.5pt Arial,sans-serif}}\
         @bottom-right{{content:\"page \" counter(page) \" of \" counter(pages);font:7.5pt Arial,sans-serif}}}}"
    );
    format!(
        ":root{{{}}}{page}{COMMON}{}{PRINT}",
        palette::properties(rehearsal),
        if rehearsal { REHEARSED } else { "" }
    )
}

const COMMON: &str = r#"
*{box-sizing:border-box}
html{color-scheme:light;background:var(--paper);color:var(--ink);-webkit-text-size-adjust:100%}
body{margin:0;font:15px/1.42 "Helvetica Neue",Arial,"Liberation Sans",sans-serif;font-variant-numeric:tabular-nums lining-nums}
.sheet{max-width:900px;margin:0 auto;padding:0 28px 60px}
.running{display:none}
h1{font-size:1.9em;line-height:1.15;margin:.1em 0 .25em;letter-spacing:-.01em;font-weight:700}
h2{font-size:1.22em;line-height:1.2;margin:2em 0 .6em;padding-top:.5em;border-top:2px solid var(--ink);font-weight:700}
h3{font-size:1.08em;line-height:1.25;margin:1.5em 0 .35em;font-weight:700}
h4{font-size:.9em;margin:1.1em 0 .3em;color:var(--quiet);font-weight:700}
p{margin:.35em 0 .6em;max-width:75ch}
ul,ol{margin:.3em 0 .7em;padding-left:1.3em;max-width:80ch}
li{margin:.18em 0}
a{color:inherit;text-decoration-thickness:1px;text-underline-offset:2px}
a:focus-visible{outline:3px solid var(--curve-1);outline-offset:2px}
header p{max-width:none}
.over{margin:1.6em 0 0;color:var(--quiet);font-size:.88em}
.quiet{color:var(--quiet)}
.small{font-size:.88em}
.facts{display:grid;grid-template-columns:max-content 1fr;gap:.16em 1.2em;margin:.5em 0}
.facts.two{grid-template-columns:max-content 1fr max-content 1fr}
.facts dt{color:var(--quiet)}
.facts dd{margin:0;overflow-wrap:anywhere}
table{border-collapse:collapse;width:100%;margin:.5em 0 .9em;font-size:.9em}
caption{text-align:left;font-weight:700;padding:.2em 0 .35em;font-size:1em}
caption .quiet{font-weight:400}
th,td{text-align:left;vertical-align:baseline;padding:.3em .7em .3em 0;unicode-bidi:isolate}
th:last-child,td:last-child{padding-right:0}
thead th{font-weight:400;color:var(--quiet);border-bottom:1px solid var(--ink);vertical-align:bottom;line-height:1.2}
tbody th{font-weight:400}
tbody tr{border-bottom:1px solid var(--rule)}
.n{text-align:right;white-space:nowrap}
.results tbody{border-bottom:1px solid var(--rule)}
.results tbody tr{border:0}
.results tbody th{font-weight:700;min-width:11em}
.results .why td::first-letter{text-transform:uppercase}
.results .why td{padding-top:0;padding-bottom:.5em;color:var(--quiet)}
.results .big{font-weight:700}
.results td{overflow-wrap:break-word}
.budget tbody{border-bottom:1px solid var(--rule)}
.budget tbody tr{border:0}
.budget .of th{font-weight:700;padding-top:.5em}
.budget .of .quiet{font-weight:400}
.budget .part th{padding-left:1em;min-width:11em}
.r{text-align:right}
.nb{white-space:nowrap}
.sym{width:1.8em;height:1.2em;vertical-align:-.24em;overflow:visible}
.sym-line{fill:none;stroke:currentColor;stroke-width:2.4}
.sym-fill{fill:currentColor;stroke:none}
.verdict{white-space:nowrap;font-weight:700}
.accepted{color:var(--accepted)}
.undecided{color:var(--undecided)}
.rejected{color:var(--rejected)}
.not-done{color:var(--not-done)}
.outcome{display:grid;grid-template-columns:max-content 1fr;gap:0 1.4em;align-items:center;padding:1em 1.3em;margin:.8em 0 .9em;border:1px solid currentColor;border-left-width:10px}
.outcome.accepted{background:var(--accepted-tint)}
.outcome.undecided{background:var(--undecided-tint)}
.outcome.rejected{background:var(--rejected-tint)}
.outcome.not-done{background:var(--not-done-tint)}
.outcome .sym{width:5.1em;height:3.4em;grid-row:span 2}
.outcome .word{font-size:2em;font-weight:700;line-height:1.1;margin:0}
.outcome .sentence{color:var(--ink);margin:.25em 0 0;font-size:1.06em}
.counts{display:grid;grid-template-columns:repeat(4,1fr);gap:0;margin:0 0 1em;padding:0;list-style:none;max-width:none}
.counts li{padding:.1em 0 .1em 1em;margin:0;border-left:1px solid var(--rule)}
.counts li:first-child{border-left:0;padding-left:0}
.counts b{font-size:1.7em;line-height:1.1;margin-right:.35em;color:var(--ink)}
.stop{border-left:4px solid var(--rejected);padding:.35em 0 .35em .9em;margin:.7em 0}
.note{border-left:4px solid var(--frame);padding:.25em 0 .25em .9em;margin:.7em 0}
.diagnosis{padding-left:2.3em;position:relative;margin:.9em 0 1.2em}
.diagnosis h3{margin:0 0 .2em}
.diagnosis .rank{position:absolute;left:0;top:0;width:1.6em;height:1.6em;line-height:1.5em;text-align:center;border:1.5px solid var(--ink);border-radius:50%;font-weight:700;font-size:.95em}
.diagnosis dl{grid-template-columns:8.2em 1fr}
.check{margin:0 0 2.2em}
.check>h3{display:flex;flex-wrap:wrap;align-items:baseline;gap:.1em .8em;font-size:1.2em;border-top:1px solid var(--ink);padding-top:.55em;margin:1.8em 0 .2em}
.check>h3 .title{flex:1 1 auto}
.check h4{break-after:avoid}
h2,h3{scroll-margin-top:4.5rem}
.boxes{list-style:none;padding-left:0}
.boxes li{padding-left:1.8em;position:relative}
.boxes li::before{content:"";position:absolute;left:0;top:.22em;width:.85em;height:.85em;border:1.5px solid var(--ink)}
figure{margin:1.1em 0 1.2em}
figcaption{font-size:.88em;color:var(--quiet);max-width:95ch;margin-top:.3em}
figcaption b{color:var(--ink)}
svg.plot{display:block;width:100%;height:auto;overflow:visible;font-family:inherit;font-size:11px}
.plot text{fill:var(--ink)}
.plot text.num,.plot text.quiet{fill:var(--quiet)}
.plot text.axis{font-weight:700}
.plot path{fill:none;stroke-linejoin:round}
.plot .grid{stroke:var(--grid);stroke-width:.8}
.plot .frame{stroke:var(--frame);stroke-width:1}
.plot .line{stroke-width:1.7}
.plot .bar{stroke-width:1.2}
.plot .ring{stroke-width:1.3}
.plot .dot{stroke-width:.6}
.plot .band{fill:var(--band);stroke:none}
.plot .band-2{fill:var(--band-2);stroke:none}
.plot .band-edge{stroke:var(--band-edge);stroke-width:.9}
.plot .mark{stroke:var(--mark);stroke-width:1.2}
.plot .lead{stroke:var(--mark);stroke-width:.7}
.plot .guide{stroke:var(--frame);stroke-width:.7;stroke-dasharray:1 3}
.plot .lane{stroke:var(--curve-6);stroke-width:1.5}
.plot .lane-fill{fill:var(--band);stroke:none}
.plot .c1{stroke:var(--curve-1)}.plot .dot.c1{fill:var(--curve-1)}
.plot .c2{stroke:var(--curve-2)}.plot .dot.c2{fill:var(--curve-2)}
.plot .c3{stroke:var(--curve-3)}.plot .dot.c3{fill:var(--curve-3)}
.plot .c4{stroke:var(--curve-4)}.plot .dot.c4{fill:var(--curve-4)}
.plot .c5{stroke:var(--curve-5)}.plot .dot.c5{fill:var(--curve-5)}
.plot .c6{stroke:var(--curve-6)}.plot .dot.c6{fill:var(--curve-6)}
.ruler{width:104px;height:18px;vertical-align:-.28em;overflow:visible}
.ruler path{fill:none}
.ruler .ruler-base{stroke:var(--frame);stroke-width:.7}
.ruler .ruler-limit{stroke:var(--mark);stroke-width:1.7}
.ruler .ruler-target{stroke:var(--frame);stroke-width:1.2}
.ruler .ruler-bar{stroke:var(--curve-1);stroke-width:1.5}
.ruler .ruler-dot{fill:var(--curve-1)}
.share{display:inline-block;width:70px;height:8px;vertical-align:.02em}
.share path{stroke:var(--frame);stroke-width:8;fill:none}
pre{font:.8em/1.4 "DejaVu Sans Mono",Menlo,Consolas,monospace;white-space:pre-wrap;overflow-wrap:anywhere;margin:.6em 0;padding:.9em 1.1em;background:var(--tint)}
@media (max-width:640px){.facts.two{grid-template-columns:max-content 1fr}.wide{overflow-x:auto}.counts{grid-template-columns:repeat(2,1fr)}}
"#;

const REHEARSED: &str = r#"
.banner{position:sticky;top:0;z-index:2;background:var(--rehearsal);color:var(--paper);text-align:center;font-weight:700;font-size:1.15em;letter-spacing:.06em;padding:.5em 1em}
.banner span{font-weight:400;letter-spacing:0;font-size:.82em;display:block}
.edge{position:fixed;top:0;bottom:0;width:12px;background:repeating-linear-gradient(45deg,var(--rehearsal) 0 6px,var(--paper) 6px 13px);print-color-adjust:exact;-webkit-print-color-adjust:exact}
@media print{.running>div.reh-strip{display:block;background:var(--rehearsal);color:var(--paper);text-align:center;font-weight:700;font-size:10.5pt;letter-spacing:.06em;padding:1mm;margin:0 0 2mm;border:0}
.banner{display:none!important}
.edge{width:2.5mm}.sheet{padding:0 5.5mm!important}}
.edge.left{left:0}.edge.right{right:0}
.ghost{position:fixed;inset:0;width:100%;height:100%;z-index:-1;overflow:hidden}
@media print{.ghost{top:0}}
.ghost path{fill:none}
.ghost text{fill:var(--rehearsal-ghost);font:700 9.5px Arial,"Liberation Sans",sans-serif}
.reh{font-size:.68rem;font-weight:700;letter-spacing:.04em;color:var(--rehearsal);border:1.5px solid var(--rehearsal);padding:.1em .5em;white-space:nowrap;align-self:center}
"#;

const PRINT: &str = r#"
@media print{
html{font-size:12.2px}
p,ul,ol,figcaption{max-width:none}
th,td{padding-top:.22em;padding-bottom:.22em}
.results .why td::first-letter{text-transform:uppercase}
.results .why td{padding-bottom:.35em}
body{font-size:9.3pt;line-height:1.34;print-color-adjust:exact;-webkit-print-color-adjust:exact}
.sheet{display:table;width:100%;max-width:none;padding:0;margin:0}
.running{display:table-header-group;break-inside:avoid}
.running>.line{display:flex;justify-content:space-between;gap:2em;font-size:7.6pt;color:var(--quiet);border-bottom:.5pt solid var(--ink);padding:0 0 1.2mm;margin:0 0 4mm}
main{display:table-row-group}
.over{margin-top:0}
h1,h2,h3,h4,caption{break-after:avoid}
h2{margin-top:1.6em}
figure,.outcome,.counts,.diagnosis,.results tbody,.budget tbody,.key,table.keep{break-inside:avoid}
.check>h3+p{break-before:avoid;break-after:avoid;break-inside:avoid}
tr{break-inside:avoid}
thead{display:table-header-group}
p,li{orphans:3;widows:3}
a{text-decoration:none}
pre{font-size:7pt;padding:0;background:none}
}
"#;
