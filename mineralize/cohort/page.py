"""``curve.html``: curve, parameters, every lesion, residuals and predictive check in one file without network."""

from __future__ import annotations

import html
from collections.abc import Iterable, Mapping
from typing import Any

from . import figures, words
from .methods import methods, plain

STYLE = """:root{--ink:#1f2430;--quiet:#5c616d;--rule:#d5d1c6;--paper:#fffdf8;--violet:#3b3a86}
*{box-sizing:border-box}body{margin:0;background:var(--paper);color:var(--ink);
font:16px/1.5 "Charter","Iowan Old Style","Palatino Linotype",Georgia,serif}
main{max-width:60rem;margin:0 auto;padding:1.5rem clamp(1rem,4vw,3rem) 3rem}
h1{font-size:1.7rem;line-height:1.2;font-weight:600;margin:.5rem 0}
h2{font-size:1.2rem;font-weight:600;margin:2.4rem 0 .6rem;padding-top:.5rem;border-top:2px solid var(--ink)}
p{max-width:46rem;margin:.5rem 0}.quiet,figcaption,table,pre{font-family:system-ui,"Segoe UI",Arial,sans-serif}
.quiet,figcaption{color:var(--quiet);font-size:.85rem}figure{margin:1rem 0}figure svg{width:100%;height:auto;
max-width:52rem;mix-blend-mode:multiply}.scroll{overflow-x:auto}table{border-collapse:collapse;font-size:.85rem}
caption{text-align:left;color:var(--quiet);padding-bottom:.3rem}th,td{text-align:left;font-weight:400;
padding:.3rem 1.1rem .3rem 0;border-bottom:1px solid var(--rule);vertical-align:top;white-space:nowrap}
thead th{font-weight:600;border-bottom:1.5px solid var(--ink)}td{font-variant-numeric:tabular-nums}
pre{white-space:pre-wrap;font-size:.8rem;line-height:1.45;max-width:52rem}
@media print{body{background:#fff}main{max-width:none}}"""


def page(document: Mapping[str, Any]) -> str:
    """The whole page as HTML text."""
    title = f"{str(document['quantity']).replace('_', ' ').capitalize()} over the days, {document['n_lesions']} lesions"
    parts = [f"<h1>{_esc(title)}</h1>", f"<p>{_esc(_lead(document))}</p>"]
    parts.append(_figure(figures.curve_figure(document), _CURVE, "Curve of the cohort with its bands and all scans"))
    parts.append("<h2>Parameters</h2>" + _parameters(document))
    if document["laid"] is not None:
        parts.append(f"<h2>{_esc(document['laid']['case'])} among new lesions</h2>" + _laid(document))
    if document.get("plan"):
        parts.append("<h2>Planning a study</h2>" + plan_table(document["plan"]))
    parts.append("<h2>Does the model fit?</h2>" + _fit_words(document))
    parts.append(_figure(figures.residual_figure(document), _RESIDUALS, "Standardised residuals"))
    parts.append(_figure(figures.check_figure(document), _CHECK, "Predictive check by days"))
    parts.append("<h2>Lesions</h2>" + _lesions(document))
    parts.append(f"<h2>Methods</h2><pre>{_esc(methods(document))}</pre>")
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>{_esc(title)}</title><style>{STYLE}</style></head>\n<body><main>\n"
        + "\n".join(parts)
        + "\n</main></body></html>\n"
    )


def plan_table(plan: Mapping[str, Any]) -> str:
    """Expected widths of intervals, one row per size of study."""
    days = ", ".join(plain(day) for day in plan["days"])
    rows = [
        (
            str(row["lesions"]),
            _width(row["half_rise_day_width"], " days"),
            _width(row["plateau_width_percent"], " %"),
            f"{row['refused']} of {row['simulated']}",
        )
        for row in plan["studies"]
    ]
    head = ("lesions", "half-rise day: width", "plateau: width", "refused")
    return _table(f"Width of the 95 % interval in studies drawn from this fit, scans on days {days}", head, rows)


def _width(row: Mapping[str, Any] | None, unit: str) -> str:
    if row is None:
        return "not pinned"
    return f"{plain(row['median'])}{unit} ({plain(row['low'])} to {plain(row['high'])})"


def _lead(d: Mapping[str, Any]) -> str:
    p = d["parameters"]
    half, top = p["half_rise_day"], p["plateau"]
    return (
        f"A typical lesion has half its plateau on day {half['value']:.0f} ({half['low']:.0f} to {half['high']:.0f}) "
        f"and rises to {plain(top['value'])} {d['unit']} ({plain(top['low'])} to {plain(top['high'])}); 95 % intervals "
        f"from {d['n_scans']} scans of {d['n_lesions']} lesions in {d['n_patients']} patients. {words.DISCLAIMER}"
    )


def _parameters(d: Mapping[str, Any]) -> str:
    p, unit = d["parameters"], d["unit"]
    spread = p["between_lesions_sd"]
    rows = [
        ("half-rise day", p["half_rise_day"], "days"),
        ("plateau", p["plateau"], unit),
        ("rate", p["rate_per_day"], "per day"),
        ("between lesions: day shift, standard deviation", spread["day_shift"], "days"),
        ("between lesions: log plateau, standard deviation", spread["log_plateau"], ""),
        ("factor on stated errors", d["error_factor"], ""),
        *((f"effect of {name} on the log value", row, row["unit"]) for name, row in d["acquisition"].items()),
    ]
    cells = [(name, plain(row["value"]), f"{plain(row['low'])} to {plain(row['high'])}", u) for name, row, u in rows]
    return _table("Of the cohort as a whole", ("parameter", "value", "95 % interval", "unit"), cells)


def _laid(d: Mapping[str, Any]) -> str:
    rows = []
    for row in d["laid"]["scans"]:
        span = "" if row["low"] is None else f"{row['low']:.0f} to {row['high']:.0f}"
        value = f"{plain(row['value'])} {d['unit']}"
        rows.append((str(row["scan"]), plain(row["day"]), value, f"{row['percentile']:.0f}", span))
    head = ("scan", "day", "value", "percentile of new lesions", "of its interval's ends")
    return _table("100 times the share of new lesions that lie lower on that day", head, rows)


def _fit_words(d: Mapping[str, Any]) -> str:
    found, rows = d["diagnostics"], d["residuals"]
    beyond = sum(abs(row["standardised"]) > 2 for row in rows)
    bins = d["predictive_check"]["bins"]
    inside = sum(
        low <= seen <= high
        for part in bins
        for seen, low, high in zip(part["observed"], part["low"], part["high"], strict=True)
    )
    count = sum(len(part["observed"]) for part in bins)
    text = (
        f"R-hat {found['r_hat']:.3f}, {found['effective_draws']:.0f} effective draws, {found['divergent']} of "
        f"{found['draws']} divergent. {beyond} of {len(rows)} residuals lie beyond two standard errors; at most one "
        f"in twenty should. {inside} of {count} observed quantiles lie in the interval of those drawn again."
    )
    return f"<p>{_esc(text)}</p>"


def _lesions(d: Mapping[str, Any]) -> str:
    rows = []
    for row in d["lesions"]:
        shift, top = row["day_shift"], row["plateau"]
        rows.append(
            (
                row["case"], str(row["scans"]) + (", excised" if row["excised"] else ""),
                f"{shift['value']:+.0f} ({shift['low']:+.0f} to {shift['high']:+.0f})",
                f"{plain(top['value'])} ({plain(top['low'])} to {plain(top['high'])})",
            )
        )  # fmt: skip
    return _table("Each lesion", ("case", "scans", "day shift, days", f"plateau, {d['unit']}"), rows)


def _table(caption: str, head: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    top = "".join(f'<th scope="col">{_esc(cell)}</th>' for cell in head)
    body = "".join("<tr>" + "".join(f"<td>{_esc(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    return (
        f'<div class="scroll"><table><caption>{_esc(caption)}</caption>'
        f"<thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def _figure(drawn: Any, caption: str, label: str) -> str:
    text = figures.svg(drawn).decode("utf-8")
    text = text[text.index("<svg") :].replace("<svg", f'<svg role="img" aria-label="{_esc(label)}"', 1)
    return f"<figure>{text}<figcaption>{_esc(caption)}</figcaption></figure>"


def _esc(text: Any) -> str:
    return html.escape(str(text), quote=True)


_CURVE = (
    "Line and dark band: the typical lesion and its 95 % interval. Light band: where 95 % of new lesions lie, without "
    "their errors of measurement. Points: every scan, with its stated interval."
)
_RESIDUALS = "Distance of each scan from its lesion's own curve, in standard errors. Neither plot should show a trend."
_CHECK = (
    "Marks: quantiles of the observed scans in spans of days. Bars: 95 % intervals of the same quantiles where the "
    "model draws all lesions anew, excision left aside. Marks outside their bars say where the model is wrong."
)
