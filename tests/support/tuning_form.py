"""The form of the page Tuning, filled in as a person would."""

from __future__ import annotations

from support.browser import Browser


def fill(browser: Browser, **values: str) -> None:
    """Write into the form as a person would: every change is told to the page."""
    script = """for (const [name, value] of Object.entries(arguments[0])) {
      const field = document.querySelector(`[name=${name}]`);
      field.value = value;
      field.dispatchEvent(new Event("change", {bubbles: true}));
    }"""
    browser.run(script, values)


def find_out(browser: Browser, kind: str, **values: str) -> None:
    browser.run("document.querySelector(`[name=kind][value=${arguments[0]}]`).click()", kind)
    fill(browser, **values)
    browser.all(".tuning-form button.acknowledge")[0].click()
