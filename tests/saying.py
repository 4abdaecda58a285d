"""What a file says in a language, and what of it the catalogue does not know."""

from __future__ import annotations

from dataclasses import dataclass, field

from appliance.site.phrases import Phrases


@dataclass
class Saying:
    """Says a text in the language of its phrases; unknown: those texts that none of them makes."""

    phrases: Phrases
    unknown: set[str] = field(default_factory=set)

    def __call__(self, text: str) -> str:
        told, known = self.phrases.read_back(text)
        if not known:
            self.unknown.add(text)
        return told
