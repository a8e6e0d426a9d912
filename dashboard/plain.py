"""Pages made whole on the server, for what must work without scripts: logging in, accounts, the log, jobs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from markupsafe import Markup

from dashboard import security
from dashboard.pages import frame

STYLES = ("1_tokens.css", "2_base.css", "5_sheets.css", "6_print.css", "7_plain.css")


def page(title: str, inside: Markup, places: Sequence[tuple[str, str]], *, refresh_s: int = 0) -> str:
    """A page in the frame that every page stands in; read anew every `refresh_s` seconds when that is not 0."""
    styles = Markup("").join(Markup('<link rel="stylesheet" href="/assets/{}">').format(name) for name in STYLES)
    again = Markup('<meta http-equiv="refresh" content="{}">').format(refresh_s) if refresh_s else ""
    body = Markup(
        '<div class="frame">{}<main id="page"><div class="plain-page"><section class="sheet">'
        '<div class="sheet-head"><h1>{}</h1></div>{}</section></div></main>'
        '<footer class="foot"><p>{}</p></footer></div>'
    ).format(frame.head(places, scripts=False), title, inside, frame.CAUTIONS)
    return document(title, body, styles + again + Markup('<script src="/assets/early.js"></script>'))


def document(title: str, body: Markup, head: Markup) -> str:
    """A whole document."""
    return str(
        Markup(
            '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>{} – {}</title>'
            '<meta name="viewport" content="width=device-width, initial-scale=1">'
            '<meta name="color-scheme" content="light dark">{}</head><body>{}</body></html>'
        ).format(title, frame.PRODUCT, head, body)
    )


def form(action: str, inside: Markup, *, css: str = "") -> Markup:
    """A form that shows to be one of ours."""
    return Markup('<form method="post" action="{}" class="{}">{}{}</form>').format(action, css, shown_token(), inside)


def shown_token() -> Markup:
    """What a form of ours carries."""
    return Markup('<input type="hidden" name="{}" value="{}">').format(security.FIELD, security.form_token())


def field(name: str, label: str, kind: str = "text", value: str = "", *, fills: str = "off", hint: str = "") -> Markup:
    """A labelled field; `fills` is what the browser may fill in (HTML autocomplete)."""
    return Markup(
        '<label class="field"><span>{}</span><input name="{}" type="{}" value="{}" autocomplete="{}" required'
        ' spellcheck="false" autocapitalize="none" maxlength="1000">{}</label>'
    ).format(label, name, kind, value, fills, Markup('<span class="soft">{}</span>').format(hint) if hint else "")


def button(text: str, *, name: str = "", value: str = "", css: str = "") -> Markup:
    """A button that sends its form."""
    named = Markup(' name="{}" value="{}"').format(name, value) if name else ""
    return Markup('<button type="submit" class="{}"{}>{}</button>').format(css, named, text)


def choice(name: str, label: str, values: Iterable[str | tuple[str, str]], chosen: str = "") -> Markup:
    """A labelled choice of one: of values, or of values with what they are called."""
    pairs = ((value, value) if isinstance(value, str) else value for value in values)
    inside = Markup("").join(
        Markup('<option value="{}"{}>{}</option>').format(value, Markup(" selected") if value == chosen else "", called)
        for value, called in pairs
    )
    return Markup('<label class="field"><span>{}</span><select name="{}">{}</select></label>').format(
        label, name, inside
    )


def told(said: str, problem: str) -> Markup:
    """How the last ask ended."""
    if problem:
        return Markup('<p role="alert" class="told">{}</p>').format(problem)
    return Markup('<p role="status" class="told">{}</p>').format(said) if said else Markup("")


def table(heads: Sequence[str], rows: Iterable[Sequence[Markup | str]]) -> Markup:
    """A list as a table."""
    head = Markup("").join(Markup("<th>{}</th>").format(name) for name in heads)
    body = Markup("").join(
        Markup("<tr>{}</tr>").format(Markup("").join(Markup("<td>{}</td>").format(cell) for cell in row))
        for row in rows
    )
    return Markup('<table class="list-table plain-table"><thead><tr>{}</tr></thead><tbody>{}</tbody></table>').format(
        head, body
    )
