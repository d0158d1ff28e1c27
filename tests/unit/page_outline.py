"""The outline of a page, for tests of what a reader without sight or mouse meets."""

import re
from html.parser import HTMLParser


class Outline(HTMLParser):
    """Headings, landmarks, tables and images of a page, as a screen reader meets them."""

    def __init__(self):
        super().__init__()
        self.levels, self.landmarks, self.ids, self.images = [], [], [], []
        self.tables, self.captions, self.unscoped, self.targets = 0, 0, 0, []
        self.language, self.sections, self.contents, self.in_contents = "", [], [], False
        self.scrolling, self.scrolling_by_keyboard = 0, 0

    def handle_starttag(self, tag, attrs):
        attributes = dict(attrs)
        self.ids += [attributes["id"]] if "id" in attributes else []
        if re.fullmatch("h[1-6]", tag):
            self.levels.append(int(tag[1]))
        if tag in ("main", "nav", "header", "footer"):
            self.landmarks.append(tag)
        if tag == "svg":
            self.images.append((attributes.get("role"), attributes.get("aria-label", "")))
        self.tables += tag == "table"
        self.captions += tag == "caption"
        self.unscoped += tag == "th" and "scope" not in attributes
        self.language = attributes.get("lang", self.language) if tag == "html" else self.language
        self.sections += [attributes["id"]] if tag == "section" else []
        self.in_contents = self.in_contents or tag == "nav"
        if self.in_contents and tag == "a":
            self.contents.append(attributes["href"].removeprefix("#"))
        if "scroll" in attributes.get("class", "").split():
            self.scrolling += 1
            named = attributes.get("role") == "region" and (
                attributes.get("aria-label") or attributes.get("aria-labelledby")
            )
            self.scrolling_by_keyboard += bool(named and attributes.get("tabindex") == "0")
        if tag == "a" and attributes.get("href", "").startswith("#"):
            self.targets.append(attributes["href"][1:])
        for name in ("aria-labelledby",):
            self.targets += attributes.get(name, "").split()

    def handle_endtag(self, tag):
        self.in_contents = self.in_contents and tag != "nav"
