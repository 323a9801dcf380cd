"""How the app looks: the theme of its widgets, and the style sheet of its text and tables.

The colours are those of the report: ink on paper, one blue for what can be followed. States have a shape and words
beside their colour, which is from Okabe & Ito (2008), Color Universal Design. All pairs of text and ground have a
contrast of 4.5:1 or more.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import streamlit as st

SERIF = '"Charter", "Bitstream Charter", "Source Serif 4", "Georgia", "Liberation Serif", serif'
MONO = '"Cascadia Mono", "SF Mono", "Menlo", "DejaVu Sans Mono", monospace'

LIGHT = {
    "primaryColor": "#0b4f8a",
    "backgroundColor": "#fdfcfa",
    "secondaryBackgroundColor": "#f3f0ea",
    "textColor": "#1c1d1f",
    "linkColor": "#0b4f8a",
    "borderColor": "#8b877e",
    "codeBackgroundColor": "#f3f0ea",
    "codeTextColor": "#1c1d1f",
}
DARK = {
    "primaryColor": "#8cc4f5",
    "backgroundColor": "#17181a",
    "secondaryBackgroundColor": "#212326",
    "textColor": "#e9e6e1",
    "linkColor": "#8cc4f5",
    "borderColor": "#85888e",
    "codeBackgroundColor": "#212326",
    "codeTextColor": "#e9e6e1",
}
SIDE = {"light": {"backgroundColor": "#f3f0ea"}, "dark": {"backgroundColor": "#1d1f21"}}


NARROW = """export default function () {
  const side = document.querySelector('[data-testid="stSidebar"]:not([data-collapsed="true"])');
  if (window.innerWidth < 768) side?.querySelector('[data-testid="stSidebarCollapseButton"] button')?.click();
}"""


def theme() -> dict[str, object]:
    """The theme as settings of the server; light or dark follows the system."""
    common: dict[str, object] = {
        "theme.font": SERIF,
        "theme.headingFont": SERIF,
        "theme.codeFont": MONO,
        "theme.baseFontSize": 16,
        "theme.baseRadius": "2px",
        "theme.buttonRadius": "2px",
        "theme.showWidgetBorder": True,
        "theme.showSidebarBorder": False,
        "theme.linkUnderline": True,
    }
    common |= {f"theme.light.{key}": value for key, value in LIGHT.items()}
    common |= {f"theme.dark.{key}": value for key, value in DARK.items()}
    for base, colors in SIDE.items():
        common |= {f"theme.{base}.sidebar.{key}": value for key, value in colors.items()}
    return common


@cache
def style() -> str:
    """The style sheet as markup."""
    return f"<style>\n{Path(__file__).with_name('look.css').read_text(encoding='utf-8')}\n</style>"


@cache
def narrow() -> Any:
    """What closes the side bar when a page opens in a narrow or much enlarged window, where it would lie over the page."""
    return st.components.v2.component("workbench_narrow", js=NARROW)
