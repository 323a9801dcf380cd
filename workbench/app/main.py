"""The script that the server runs: navigation, then the page asked for."""

from itertools import groupby

import streamlit as st

from workbench.app.look import narrow, style
from workbench.app.navigation import PAGES

st.set_page_config(page_title="Workbench", layout="wide", initial_sidebar_state="auto")
st.html(style())
pages = {
    entry.name: st.Page(entry.file, title=entry.title, url_path=entry.name, default=entry is PAGES[0])
    for entry in PAGES
}
page = st.navigation(list(pages.values()), position="hidden")
with st.sidebar:  # links of our own: the built-in navigation with headings is no sound list for a screen reader
    for part, entries in groupby(PAGES, key=lambda entry: entry.part):
        st.html(f'<p class="part">{part}</p>')
        for entry in entries:
            if page.title == entry.title:
                st.html(f'<p class="here" aria-current="page">{entry.title}</p>')
            else:
                st.page_link(pages[entry.name])
    narrow()(key=f"narrow {page.title}")
page.run()
