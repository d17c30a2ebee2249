"""Opens every link of every page that a visitor can reach, and sends every form of theirs with values of all sorts."""

from __future__ import annotations

import re
from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from urllib.parse import quote, urldefrag, urlencode, urljoin, urlsplit

from starlette.routing import Match

from .conftest import Visitor

ODD = (
    "",
    "'\"><b>\u202e\u00ad\x00 {{ 7*7 }}",
    "1e999",
    "99999999999999999999",
    "-1",
    "0000-00-00",
    "9999-12-31T23:59",
    "9999-12-31",
    "0001-01-01T00:00",
    "0001-01-01",
    "2026-03-29T02:30",
    "x" * 600,
)
_PLAUSIBLE = {
    "date": "2026-12-04",
    "email": "coord@example.org",
    "label_date": "2029-04",
    "expected": "2026-12-20",
    "battery-bars": "3",
    "battery-full": "4",
    "shocks": "2",
    "cpr-minutes": "11",
    "find": "pool",
    "until": "2026-12-31",
}


@dataclass
class Field:
    """One control: what a person may choose, or type. `values` is empty for what is typed freely."""

    name: str
    kind: str
    value: str = ""
    values: list[str] = field(default_factory=list)

    def plausible(self, turn: int) -> str:
        """What somebody might say; another `turn` is another choice."""
        if self.kind in ("hidden", "textarea-filled"):
            return self.value
        if self.values:
            chosen = [value for value in self.values if value] or [""]
            return chosen[turn % len(chosen)]
        if self.kind == "checkbox":
            return self.value if turn % 2 else ""
        if self.kind == "datetime-local":
            return ""
        return _PLAUSIBLE.get(self.name) or _PLAUSIBLE.get(self.kind) or "seen by the door"


@dataclass
class Form:
    """A form as it stands on a page."""

    page: str
    method: str
    action: str
    fields: list[Field] = field(default_factory=list)

    def filled(self, turn: int) -> dict[str, str]:
        """The form as somebody might send it."""
        told = {one.name: one.plausible(turn) for one in self.fields if one.name}
        return {name: value for name, value in told.items() if value or name == "note"}

    def spoilt(self, value: str) -> dict[str, str]:
        """The form with that value in every field but its token."""
        return {one.name: one.value if one.name == "form_token" else value for one in self.fields if one.name}

    def half_spoilt(self, value: str) -> Iterator[dict[str, str]]:
        """The form as somebody might send it, with that value in one field."""
        for one in self.fields:
            if one.name and one.name != "form_token":
                yield self.filled(0) | {one.name: value}


class _Reader(HTMLParser):
    """Links, anchors and forms of one page."""

    def __init__(self, page: str, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.page = page
        self.links: list[str] = []
        self.ids: set[str] = set()
        self.forms: list[Form] = []
        self._form: Form | None = None
        self._select: Field | None = None
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        said = {name: value or "" for name, value in attrs}
        if "id" in said:
            assert said["id"] not in self.ids, f"{self.page}: two elements have the id {said['id']}"
            self.ids.add(said["id"])
        self.links += [said[name] for name in ("href", "src") if name in said]
        if tag == "form":
            action = urljoin(self.page, said["action"]) if "action" in said else self.page
            self._form = Form(self.page, said.get("method", "get"), action)
            self.forms.append(self._form)
        elif self._form is not None:
            self._control(tag, said)

    def _control(self, tag: str, said: dict[str, str]) -> None:
        assert self._form is not None
        name = said.get("name", "")
        if tag == "option" and self._select is not None:
            self._select.values.append(said.get("value", ""))
        elif tag == "input" and said.get("type") == "radio":
            known = next((one for one in self._form.fields if one.name == name), None)
            if known is None:
                self._form.fields.append(known := Field(name, "radio"))
            known.values.append(said.get("value", ""))
        elif tag in ("input", "textarea", "select"):
            made = Field(name, said.get("type", "text") if tag == "input" else tag, said.get("value", ""))
            self._form.fields.append(made)
            self._select = made if tag == "select" else None

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._form = None
        elif tag == "select":
            self._select = None


@dataclass
class Crawl:
    """What was found: pages opened, what was wrong with them, and the forms that stand on them."""

    visitor: Visitor
    opened: dict[str, int] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)
    forms: list[Form] = field(default_factory=list)
    _ids: dict[str, set[str]] = field(default_factory=dict)

    def follow(self, seeds: list[str], most: int = 100_000) -> Crawl:
        """Opens the seeds and everything that they lead to, as far as `most` pages go."""
        waiting = deque(("", seed) for seed in seeds)
        anchors: list[tuple[str, str, str]] = []
        while waiting and len(self.opened) < most:
            found_on, link = waiting.popleft()
            path, anchor = self._ours(found_on, link)
            if path is None:
                continue
            if anchor:
                anchors.append((found_on, path, anchor))
            if path in self.opened:
                continue
            answer = self.visitor.get(path)
            self.opened[path] = answer.status_code
            if answer.status_code >= 400:
                self.wrong.append(f"{answer.status_code} {path} (a link on {found_on or 'a seed'})")
            if answer.status_code in (301, 302, 303, 307, 308):
                waiting.append((path, answer.headers["location"]))
            elif answer.headers.get("content-type", "").startswith("text/html"):
                page = _Reader(path, answer.text)
                self._ids[path] = page.ids
                self.forms += page.forms
                waiting += [(path, one) for one in page.links]
                waiting += [(path, _asked(form)) for form in page.forms if form.method == "get"]
        self.wrong += [
            f"no #{anchor} on {path} (a link on {found_on})"
            for found_on, path, anchor in anchors
            if path in self._ids and anchor not in self._ids[path]
        ]
        return self

    def _ours(self, found_on: str, link: str) -> tuple[str | None, str]:
        plain, anchor = urldefrag(link)
        parts = urlsplit(urljoin(self.visitor.base + (found_on or "/"), plain))
        if parts.scheme in ("tel", "mailto"):
            return None, ""
        if f"{parts.scheme}://{parts.netloc}" != self.visitor.base:
            self.wrong.append(f"{link} leads elsewhere (a link on {found_on})")
            return None, ""
        return parts.path + (f"?{parts.query}" if parts.query else ""), anchor

    def acts(self, each: int) -> list[Form]:
        """The forms that act, at most so many of each kind: the same route, fields and hidden entry."""
        counted: Counter[tuple[object, ...]] = Counter()
        found = []
        for form in self.forms:
            if form.method != "post":
                continue
            kind = (
                self._route(form.action),
                tuple(one.name for one in form.fields),
                next((one.value for one in form.fields if one.name == "entry"), ""),
            )
            counted[kind] += 1
            if counted[kind] <= each:
                found.append(form)
        return found

    def _route(self, action: str) -> str:
        scope = {"type": "http", "method": "POST", "path": urlsplit(action).path, "headers": []}
        for route in self.visitor.web.app.routes:  # type: ignore[attr-defined]
            if route.matches(scope)[0] is Match.FULL:
                return str(route.path)
        return "-"

    def token(self, form: Form) -> str:
        """The token that the form's page shows now; "" where it shows none."""
        shown = _Reader(form.page, self.visitor.get(form.page).text)
        return next((one.value for there in shown.forms for one in there.fields if one.name == "form_token"), "")


def _asked(form: Form) -> str:
    """A form that asks, as the address that a browser makes of it."""
    return urlsplit(form.action).path + "?" + urlencode(form.filled(0), quote_via=quote)


def in_letter(text: str, base: str) -> list[str]:
    """The addresses of ours in the text of a letter."""
    return [url.removeprefix(base) for url in re.findall(re.escape(base) + r"/[^\s<>\"]*", text)]
