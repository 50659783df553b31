"""Forms of pages as a browser sends them, for tests: what is hidden in one, and one of its buttons pressed."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser

from httpx2 import Response
from starlette.testclient import TestClient


@dataclass
class SentForm:
    """A form of a page: where it is sent, its fields as they stand, and its buttons."""

    action: str
    method: str
    fields: list[tuple[str, str]] = field(default_factory=list)
    buttons: list[tuple[str, str]] = field(default_factory=list)

    def filled(self, **typed: str) -> dict[str, str]:
        """What is sent when the fields so named are filled. Fails for one that the form does not have."""
        names = {name for name, _ in self.fields} | {name for name, _ in self.buttons}
        assert set(typed) <= names, f"{set(typed) - names} is in no form; there are {sorted(names)}"
        return {**dict(self.fields), **typed}


class _Forms(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.forms: list[SentForm] = []
        self._area = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.forms.append(SentForm(told.get("action", ""), told.get("method", "get")))
        if not self.forms or not told.get("name"):
            return
        form = self.forms[-1]
        if tag == "button":
            form.buttons.append((told["name"], told.get("value", "")))
        elif tag == "input" and (told.get("type") != "radio" or "checked" in told):
            form.fields.append((told["name"], told.get("value", "")))
        elif tag in ("textarea", "select"):
            form.fields.append((told["name"], ""))


def forms_in(page: Response) -> list[SentForm]:
    """The forms of a page."""
    found = _Forms()
    found.feed(page.text)
    return found.forms


def press(client: TestClient, page: Response, **pressed: str) -> Response:
    """Press a button of the page's form that asks, with what is typed; where it leads."""
    (form,) = [f for f in forms_in(page) if f.method == "post" and not f.action.endswith("/undo")]
    return client.post(form.action, data=form.filled(**pressed))


def main_of(page: Response) -> str:
    """The words of a page, but for its head and foot."""
    found = _Words()
    found.feed(page.text[page.text.index("<main") : page.text.index("</main>")])
    return " ".join(" ".join(found.words).split())


class _Words(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []

    def handle_data(self, data: str) -> None:
        self.words.append(data)
