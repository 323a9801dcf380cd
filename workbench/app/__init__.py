"""The app in the browser: a page collects, calls one function of the layers below and shows what it returns."""
