"""Tables and whole reports as LaTeX: `article` and `booktabs`, compiled by pdflatex without shell escape.

Text is escaped, so that nothing in it is a command. A script that pdflatex has no letters for is kept for lualatex
and xelatex and shown by pdflatex as one box a letter.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence

from workbench.report.document import Part, Report
from workbench.report.figures import Figure
from workbench.report.numbers import plain
from workbench.report.table import Column, Table, display_width, printable, shown_cell

PREAMBLE = r"""\documentclass[10pt,a4paper]{article}
\usepackage{iftex}
\ifPDFTeX
  \usepackage[T1]{fontenc}
  \usepackage[utf8]{inputenc}
  \newcommand{\otherletter}[1]{\rule{0.45em}{0.65em}\,}
\else
  \newcommand{\otherletter}[1]{\char"#1\relax}
\fi
\usepackage{textcomp}
\usepackage{booktabs}
\usepackage{longtable}
\usepackage{array}
\usepackage{graphicx}
\usepackage[margin=2cm]{geometry}
\setlength{\parindent}{0pt}
\setlength{\parskip}{0.5em}
\setlength{\LTcapwidth}{\textwidth}
\setlength{\emergencystretch}{3em}
\setcounter{secnumdepth}{0}
"""

NUMBERS_HEAD = """% One command for each number of the results, unrounded values in trace.json.
% In a paper: \\input{numbers}, then \\pairsEffortStillSloshHodgesLehmann and so on.
% A name is table, row and column in words joined; digits are spelled.
% A p comes with its sign, "= .012" or "< .001", so write $p$~\\omnibusEffortP.
"""

_COMMANDS = {
    "\\": r"\textbackslash{}",
    "{": r"\{",
    "}": r"\}",
    "$": r"\$",
    "&": r"\&",
    "#": r"\#",
    "%": r"\%",
    "_": r"\_",
    "^": r"\textasciicircum{}",
    "~": r"\textasciitilde{}",
    "<": r"\textless{}",
    ">": r"\textgreater{}",
    "|": r"\textbar{}",
    '"': r"\textquotedbl{}",
    "'": r"\textquotesingle{}",
    "`": r"\textasciigrave{}",
    "-": r"{-}",
    "\u2212": r"$-$",
    "–": "--",
    "—": "---",
    "…": r"\ldots{}",
    "“": "``",
    "”": "''",
    "„": r"\quotedblbase{}",
    "’": r"\textquoteright{}",
    "‘": r"\textquoteleft{}",
    "\u00a0": "~",
    "\u202f": r"\,",
    "×": r"$\times$",
    "±": r"$\pm$",
    "·": r"\textperiodcentered{}",
    "°": r"\textdegree{}",
    "²": r"\textsuperscript{2}",
    "³": r"\textsuperscript{3}",
    "χ": r"$\chi$",
    "η": r"$\eta$",
    "ε": r"$\varepsilon$",
    "α": r"$\alpha$",
    "β": r"$\beta$",
    "κ": r"$\kappa$",
    "ω": r"$\omega$",
    "ρ": r"$\rho$",
    "∞": r"$\infty$",
    "≤": r"$\le$",
    "≥": r"$\ge$",
    "→": r"$\rightarrow$",
    "•": r"\textbullet{}",
    "€": r"\texteuro{}",
}
_PRINTED = {command: character for character, command in _COMMANDS.items()}
_TOKENS = re.compile(
    r"\\otherletter\{(?P<letter>[0-9A-F]+)\}|"
    + "|".join(re.escape(command) for command in sorted(_PRINTED, key=len, reverse=True))
    + r"|\\hspace\{0pt\}|\\(?:newline|footnotesize|scriptsize|emph|textbf|par)\b ?|[{}]"
)
_WIDEST = 96
_LONG = 26
_DIGITS = ("Zero", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine")


def escaped(text: str) -> str:
    """`text` so that LaTeX prints it as it stands; a line break becomes \\newline."""
    return "".join(map(_escaped_character, unicodedata.normalize("NFC", printable(text))))


def unescaped(text: str) -> str:
    """What LaTeX prints for text that `escaped` made; commands that only arrange are left out."""
    return _TOKENS.sub(_printed, text)


def _printed(token: re.Match[str]) -> str:
    if token["letter"]:
        return chr(int(token["letter"], 16))
    return _PRINTED.get(token[0], " " if token[0].startswith("\\newline") else "")


def _escaped_character(character: str) -> str:
    if character in _COMMANDS:
        return _COMMANDS[character]
    if character == "\n":
        return r"\newline "
    if " " <= character <= "~" or _latin(character):
        return character
    if unicodedata.category(character) in ("Cf", "Mn", "Me", "Cn", "Co"):
        return ""
    return rf"\otherletter{{{ord(character):X}}}"


def _latin(character: str) -> bool:
    """Letters that the T1 encoding has."""
    return (
        "\u00c0" <= character <= "\u017e"
        and character not in "×÷ĀāĈĉĊċĒēĔĕĖėĜĝĠġĢģĤĥĦħĨĩĪīĬĭĮįĴĵĶķĸĻļĿŀŅņŉŌōŎŏŖŗŜŝŦŧŨũŪūŬŭŲųŴŵŶŷſ"
    )


def _sized(text: str) -> str:
    """Words in which even a very long one can be broken."""
    return " ".join(
        r"\hspace{0pt}".join(escaped(word[place : place + 12]) for place in range(0, len(word), 12))
        if len(word) > 24
        else escaped(word)
        for word in plain(text).split(" ")
    )


def to_latex(table: Table) -> str:
    """`table` as a LaTeX table with booktabs rules, its title as caption and its notes below.

    It stands in one place where it has few rows and short cells; else it is a longtable, which runs over pages.
    """
    widths = _widths(table)
    long = len(table.rows) > _LONG or sum(widths) > _WIDEST or any(_wrapped(table, widths))
    size = r"\scriptsize" if sum(widths) > 110 else r"\footnotesize"
    specification = "@{}" + "".join(_specification(table, widths)) + "@{}"
    head = " & ".join(_label(column, width) for column, width in zip(table.read_columns, widths, strict=True)) + r" \\"
    body = _body(table)
    caption = rf"\caption{{{_sized(table.title)}}}\label{{tab:{table.name.replace('_', '-')}}}"
    notes = "".join(f"\\par {{\\footnotesize\\emph{{Note.}} {_sized(note)}}}\n" for note in table.notes)
    if not long:
        return (
            f"\\begin{{table}}[htbp]\n\\centering{size}\\setlength{{\\tabcolsep}}{{4pt}}\n{caption}\n"
            f"\\begin{{tabular}}{{{specification}}}\n\\toprule\n{head}\n\\midrule\n{body}\\bottomrule\n\\end{{tabular}}\n{notes}\\end{{table}}\n"
        )
    return (
        f"{{{size}\\setlength{{\\tabcolsep}}{{4pt}}\n\\begin{{longtable}}{{{specification}}}\n{caption}\\\\\n"
        f"\\toprule\n{head}\n\\midrule\n\\endfirsthead\n\\toprule\n{head}\n\\midrule\n\\endhead\n"
        f"{body}\\bottomrule\n\\end{{longtable}}\n{notes}}}\n"
    )


def _widths(table: Table) -> list[int]:
    """Characters that each column wants: text in lines of at most 40, labels of numbers by their longest word."""
    widths = []
    for column in table.read_columns:
        longest = max((display_width(shown_cell(row, column)) for row in table.rows), default=0)
        if column.kind == "text":
            widths.append(max(4, min(max(longest, len(column.label)), 40)))
        else:
            widths.append(max(longest, max(map(len, column.label.split()), default=1)))
    return widths


def _wrapped(table: Table, widths: Sequence[int]) -> list[bool]:
    return [
        column.kind == "text" and any(display_width(shown_cell(row, column)) > 40 for row in table.rows)
        for column in table.read_columns
    ]


def _specification(table: Table, widths: Sequence[int]) -> list[str]:
    """Numbers at the right; text that must be wrapped takes its share of the page."""
    wrapped = _wrapped(table, widths)
    crowded = sum(widths) > _WIDEST
    total = sum(widths) + 2 * len(widths)
    return [
        "r"
        if column.kind != "text"
        else rf">{{\raggedright\arraybackslash}}p{{{0.93 * width / max(total, 70):.3f}\textwidth}}"
        if broken or crowded
        else "l"
        for column, width, broken in zip(table.read_columns, widths, wrapped, strict=True)
    ]


def _label(column: Column, width: int) -> str:
    """A heading; that of numbers stands in as many lines as its words need."""
    if column.kind == "text" or len(column.label) <= max(width, 8):
        return _sized(column.label)
    words = r" \\ ".join(escaped(word) for word in column.label.split())
    return rf"\shortstack[r]{{{words}}}"


def _body(table: Table) -> str:
    columns = table.read_columns
    lines = []
    for place, (heading, numbers) in enumerate(table.groups()):
        if heading:
            kind = "l" if display_width(heading) <= 60 else r"p{0.95\textwidth}"
            lines.append(
                ("\\addlinespace\n" if place else "")
                + rf"\multicolumn{{{len(columns)}}}{{@{{}}{kind}@{{}}}}{{\textbf{{{_sized(heading)}}}}} \\"
            )
        lines += [
            " & ".join(_cell(shown_cell(table.rows[number], column)) for column in columns) + r" \\"
            for number in numbers
        ]
    return "".join(f"{line}\n" for line in lines)


def _cell(shown: str) -> str:
    """A cell; one that begins with a bracket is no option of the line before."""
    return f"{{}}{_sized(shown)}" if shown.startswith(("[", "*")) else _sized(shown)


# ------------------------------------------------------------------------------------------ documents


def to_latex_document(report: Report) -> str:
    """The report as one file; figures are PDF files in `figures/`."""
    parts = [
        PREAMBLE,
        f"\\title{{{_sized(report.title)}}}\n\\date{{}}\n\\begin{{document}}\n\\maketitle\n",
        f"{_sized(report.note)}\n\n" if report.note else "",
        "\\section{What was found}\n",
        *(
            f"\\paragraph{{{_sized(one.label)} ({escaped(one.standing)}).}} {_sized(one.sentence)}\n\n"
            for one in report.headlines
        ),
        *(f"{_sized(one)}\n\n" for one in report.lacks),
    ]
    for section in report.sections:
        parts.append(f"\\section{{{_sized(section.title)}}}\n")
        for part in section.parts:
            parts += _part(part)
    parts += ["\\section{Read with care}\n\\begin{itemize}\n", *(f"\\item {_sized(one)}\n" for one in report.cautions)]
    parts += ["\\end{itemize}\n\\section{Versions}\n\\begin{description}\n"]
    parts += [f"\\item[{{{escaped(name)}}}] {_sized(value)}\n" for name, value in report.facts]
    parts += ["\\item[] \\mbox{}\n"] * (not report.facts)
    parts.append("\\end{description}\n\\end{document}\n")
    return "".join(parts)


def _part(part: Part) -> Iterable[str]:
    if part.heading:
        yield f"\\subsection{{{_sized(part.heading)}}}\n"
    for sentence in part.sentences:
        yield f"{_sized(sentence)}\n\n"
    for figure in part.figures:
        yield _figure(figure)
    for table in part.tables:
        yield to_latex(table)


def _figure(figure: Figure) -> str:
    alternative = escaped(figure.alternative)
    return (
        f"\\begin{{center}}\n\\includegraphics[width={figure.millimetres}mm,height=0.85\\textheight,keepaspectratio,alt={{{alternative}}}]{{figures/{figure.name}.pdf}}\\par\n"
        f"{{\\footnotesize {_sized(figure.title)}.\\par}}\n\\end{{center}}\n"
    )


def macros(shown: Mapping[str, str]) -> str:
    """A file of \\newcommand, one for each number: `shown` holds what a person reads, by id."""
    lines, seen = [NUMBERS_HEAD], dict[str, int]()
    for identity, text in shown.items():
        name = macro_name(identity)
        seen[name] = seen.get(name, 0) + 1
        name += "" if seen[name] == 1 else "X" + "".join(_DIGITS[int(digit)] for digit in str(seen[name]))
        lines.append(f"\\newcommand{{\\{name}}}{{{escaped(text)}}}\n")
    return "".join(lines)


def macro_name(identity: str) -> str:
    """The command of a number: "omnibus/effort/kendall_w" is \\omnibusEffortKendallW."""
    spelled = re.sub(r"[0-9]", lambda match: f" {_DIGITS[int(match[0])]} ", identity)
    plainer = unicodedata.normalize("NFKD", spelled)
    words = re.findall(r"[A-Za-z]+", re.sub(r"[^\x00-\x7f]", "", plainer))
    return "".join(
        word[:1].lower() + word[1:] if not place else word[:1].upper() + word[1:] for place, word in enumerate(words)
    )
