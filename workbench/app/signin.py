"""Signing in as a rater: two plain pages beside the app's own, and who is signed in.

The browser keeps a token in a cookie that no script can read and that goes with no request from another site. Who is
signed in is always told by the token, never by what a page sends.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Mapping
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import parse_qs

from workbench.app.launch import STUDY_VARIABLE
from workbench.app.navigation import PAGES
from workbench.app.passphrases import (
    SESSION_HOURS,
    begin_session,
    cookie_name,
    end_session,
    is_passphrase_of,
    rater_of_session,
    raters_with_passphrase,
)
from workbench.errors import WorkbenchError

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import BaseRoute

    from workbench.study import Study

SIGN_IN, SIGN_OUT, AFTERWARDS = "/signin", "/signout", "/coding"
WAIT = 1.0
"""Seconds that a wrong passphrase costs."""
LARGEST_FORM = 4096

CAUTION = (
    "Whoever can read the study folder can read the database in it, and so every coding: signing in keeps raters apart who "
    "keep to this app. A packet, which holds nothing of anybody else, is the stronger blindness. Encrypt the disks on which the study lies."
)


def rater_signed_in(folder: Path, cookies: Mapping[str, str]) -> str:
    """The rater whose token the cookies hold; "" for nobody."""
    return rater_of_session(folder, str(cookies.get(cookie_name(folder), "")))


def routes() -> list[BaseRoute]:
    """The addresses of signing in and out."""
    from starlette.routing import Route

    return [
        Route(SIGN_IN, _sign_in_page, methods=["GET"]),
        Route(SIGN_IN, _sign_in, methods=["POST"]),
        Route(SIGN_OUT, _sign_out_page, methods=["GET"]),
        Route(SIGN_OUT, _sign_out, methods=["POST"]),
    ]


def _folder() -> Path:
    return Path(os.environ[STUDY_VARIABLE])


def _opened() -> Study:
    from workbench.study import open_study

    return open_study(_folder())


def sign_in_from(page: str) -> str:
    """The address of signing in that leads back to a page of the app."""
    return f"{SIGN_IN}?to={page}"


def _afterwards(page: str) -> str:
    """Where one goes after signing in: the page one came from, if it is one of the app's, else coding."""
    return f"/{page}" if page in {one.name for one in PAGES} else AFTERWARDS


async def _sign_in_page(request: Request) -> Response:
    return _asked("", to=request.query_params.get("to", ""))


async def _sign_in(request: Request) -> Response:
    from starlette.responses import RedirectResponse

    if not _from_here(request):
        return _page("Not signed in", "<p>This came from another page. Open the app's own sign-in page.</p>", 403)
    form = await _form(request)
    rater, passphrase, to = (form.get(name, "") for name in ("rater", "passphrase", "to"))
    try:
        fits = await asyncio.to_thread(lambda: is_passphrase_of(_opened(), rater, passphrase))
    except WorkbenchError as error:
        return _page("Not signed in", f"<p>{escape(str(error))}</p>", 500)
    if not fits:
        await asyncio.sleep(WAIT)
        return _asked("This is not the passphrase of that rater.", rater, to=to)
    response = RedirectResponse(_afterwards(to), 303, {"cache-control": "no-store"})
    response.set_cookie(
        cookie_name(_folder()),
        begin_session(_folder(), rater),
        max_age=3600 * SESSION_HOURS,
        httponly=True,
        samesite="strict",
    )
    return response


async def _sign_out_page(request: Request) -> Response:
    rater = rater_signed_in(_folder(), request.cookies)
    told = (
        f"<p>You are signed in as {escape(rater)}. What is shown as stored is stored.</p>"
        if rater
        else "<p>Nobody is signed in.</p>"
    )
    asked = f'<form method="post" action="{SIGN_OUT}"><button type="submit">Sign out</button></form>' if rater else ""
    return _page("Sign out", f'{told}{asked}<p><a href="{AFTERWARDS}">Back to coding</a></p>')


async def _sign_out(request: Request) -> Response:
    from starlette.responses import RedirectResponse

    if not _from_here(request):
        return _page("Sign out", "<p>This came from another page. Open the app's own page to sign out.</p>", 403)
    name = cookie_name(_folder())
    end_session(_folder(), request.cookies.get(name, ""))
    # what a page kept until it was stored goes too, so that the next person at this browser finds nothing
    response = RedirectResponse(SIGN_IN, 303, {"cache-control": "no-store", "clear-site-data": '"storage"'})
    response.delete_cookie(name, httponly=True, samesite="strict")
    return response


def _from_here(request: Request) -> bool:
    """Whether a form was sent from a page of this server."""
    return request.headers.get("origin") == f"{request.url.scheme}://{request.headers.get('host')}"


async def _form(request: Request) -> dict[str, str]:
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > LARGEST_FORM:
            return {}
    return {name: values[-1] for name, values in parse_qs(body.decode(errors="replace")).items()}


# ------------------------------------------------------------------------------------------- pages


def _asked(wrong: str, chosen: str = "", *, to: str) -> Response:
    try:
        raters = raters_with_passphrase(_opened())
    except WorkbenchError as error:
        return _page("Sign in", f"<p>{escape(str(error))}</p>", 500)
    if not raters:
        return _page(
            "Sign in",
            "<p>No rater has a passphrase yet. Whoever looks after the study sets one, and tells it to the rater alone:</p>"
            "<pre>workbench rater STUDY NAME</pre>",
        )
    told = f'<p role="alert" class="warn">{escape(wrong)}</p>' if wrong else ""
    options = "".join(f"<option{' selected' if one == chosen else ''}>{escape(one)}</option>" for one in raters)
    return _page(
        "Sign in",
        f'{told}<form method="post" action="{SIGN_IN}">'
        f'<label for="rater">Rater</label><select id="rater" name="rater">{options}</select>'
        '<label for="passphrase">Passphrase</label>'
        '<input id="passphrase" name="passphrase" type="password" autocomplete="current-password" required autofocus>'
        f'<input name="to" type="hidden" value="{escape(to)}">'
        f'<button type="submit">Sign in</button></form><p class="why">{CAUTION}</p>',
        403 if wrong else 200,
    )


def _page(title: str, body: str, status: int = 200) -> Response:
    from starlette.responses import HTMLResponse

    markup = (
        f'<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1"><meta name="color-scheme" content="light dark">'
        f"<style>{_STYLE}</style></head><body><main><h1>{title}</h1>{body}"
        '<p><a href="/">To the study</a></p></main></body></html>'
    )
    return HTMLResponse(markup, status, {"cache-control": "no-store"})


_STYLE = """
:root { --ink: light-dark(#1c1d1f, #e9e6e1); --soft: light-dark(#5b5f66, #aaa69e); --paper: light-dark(#fdfcfa, #17181a); --link: light-dark(#0b4f8a, #8cc4f5); --warn: light-dark(#9c3f00, #f0a060); }
body { font: 1.05rem/1.55 "Charter", "Bitstream Charter", "Source Serif 4", Georgia, serif; color: var(--ink); background: var(--paper); margin: 0; }
main { max-width: 30rem; margin: 12vh auto 3rem; padding: 0 1.5rem; }
h1 { font-size: 2rem; font-weight: 600; margin: 0 0 1rem; }
label { display: block; margin: .9rem 0 .2rem; }
select, input { font: inherit; color: inherit; background: transparent; border: 0; border-bottom: 1px solid var(--soft); padding: .25rem .1rem; width: 100%; box-sizing: border-box; border-radius: 0; }
option { color: #1c1d1f; background: #fdfcfa; }
button { font: inherit; color: var(--paper); background: var(--link); border: 0; border-radius: 2px; padding: .4rem 1.3rem; margin: 1.4rem 0 .6rem; cursor: pointer; }
:focus-visible { outline: 2px solid var(--link); outline-offset: 2px; }
a { color: var(--link); } .why { color: var(--soft); font-size: .93rem; } .warn { border-inline-start: 3px solid var(--warn); padding-inline-start: .8rem; }
pre { font-size: .9rem; }
"""
