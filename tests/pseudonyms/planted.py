"""Small invented conversations with what identifies someone planted in them, and a helper that counts what is found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from workbench.pseudonyms.search import Candidate


@dataclass(frozen=True, slots=True)
class Turn:
    number: int
    text: str


@dataclass(frozen=True, slots=True)
class Transcript:
    name: str
    language: str
    turns: tuple[Turn, ...]


def transcript(name: str, language: str, *texts: str) -> Transcript:
    return Transcript(name, language, tuple(Turn(number, text) for number, text in enumerate(texts, start=1)))


ENGLISH = transcript(
    "E",
    "en",
    "I'm Imogen, I cook at the Brass Kettle. My chef is called Doris Oakhurst and she shouts a lot.",
    "You can ring me on 0171 496 0112, or at home, that's +44 20 7946 0958, after six. Chef Benedikt has it too.",
    "Mail is imogen.f@kettle.example.org. Or have a look at www.kettle.example/staff, there's a picture of my pots.",
    "I was born on 3 March 1999, so when I lifted forty pots at half past ten I felt old. 42 pots, 1,000 litres.",
    "It's 14 Rose Hill Road, SW1A 1AA. The pot was heavy. Then Tomasz came, and Tomasz said it was light.",
    "My number is oh one six three two nine six oh. The mail is imogen at kettle dot org.",
    "Mrs Adeyemi's soup is better. Honestly. Back in Wexcombe we never had a ladle like this.",
)
IN_ENGLISH = (
    "Imogen", "Doris Oakhurst", "0171 496 0112", "+44 20 7946 0958", "imogen.f@kettle.example.org",
    "www.kettle.example/staff", "3 March 1999", "14 Rose Hill Road", "SW1A 1AA", "Tomasz",
    "oh one six three two nine six oh", "imogen at kettle dot org", "Adeyemi", "Brass Kettle", "Wexcombe", "Benedikt",
)  # fmt: skip

GERMAN = transcript(
    "D",
    "de",
    "Ich heiße Wiebke, also ich bin im Gasthof Roter Ochse, bei Frau Brandtner. Der Topf war schwer.",
    "Meine Nummer ist 0221 5550142, oder die vom Betrieb, (030) 901820. Die Suppe hat geschwappt.",
    "Geboren am 3. März 1999 in Quellstedt, und ich wohne in der Lindenstraße 12, 50667 Ullrichshausen.",
    "Ich hab dann Murat gefragt, und Murat meinte, die Kelle sei zu lang. Murats Topf war leichter.",
    "Schreib an wiebke@ochse.example.org. Die Stimme war gut, und das Rühren auch.",
    "Hildegard sagt immer, ich soll aus den Knien heben. In der Küche ist es laut.",
)
IN_GERMAN = (
    "Wiebke", "Roter Ochse", "Brandtner", "0221 5550142", "(030) 901820", "3. März 1999", "Quellstedt", "Lindenstraße 12",
    "50667 Ullrichshausen", "Murat", "wiebke@ochse.example.org", "Hildegard",
)  # fmt: skip


def found_of(candidates: Sequence[Candidate], planted: Sequence[str]) -> list[str]:
    """Those of the planted phrases that a candidate covers whole."""
    phrases = [one.phrase for one in candidates]
    return [one for one in planted if any(one in phrase for phrase in phrases)]
