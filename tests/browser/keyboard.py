"""A person without a mouse: the keys that they press, and where that leads."""

from __future__ import annotations

from playwright.sync_api import Page

MOST_TABS = 120
FOCUSED = """() => {
    const each = document.activeElement;
    if (!each || each === document.body) return ["", false];
    const label = each.labels?.[0]?.innerText ?? each.innerText ?? "";
    const style = getComputedStyle(each);
    const seen = style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2;
    return [label.trim(), seen];
}"""
"""What the focus is on, and whether a person sees that it is there."""


def tab_to(page: Page, name: str) -> None:
    """Press the tabulator until the focus is on something, by what it says or is labelled.

    Raises:
        AssertionError: It is never reached, or the focus is not visible on the way.
    """
    passed = []
    for _ in range(MOST_TABS):
        page.keyboard.press("Tab")
        label, visible = page.evaluate(FOCUSED)
        passed.append(label)
        assert visible or not label, f"nobody sees that the focus is on {label!r}"
        if label == name or label.startswith(f"{name} ("):  # which need not be filled in
            return
    raise AssertionError(f"{name!r} is not reached by the keyboard, only {passed}")


def unfold(page: Page, name: str) -> None:
    """Go to what is folded and unfold it."""
    tab_to(page, name)
    page.keyboard.press("Enter")


def fill_in(page: Page, name: str, text: str) -> None:
    """Go to a field and type into it."""
    tab_to(page, name)
    page.keyboard.type(text)


def press(page: Page, name: str) -> None:
    """Go to a link or a button and press it, which leads to another page."""
    tab_to(page, name)
    with page.expect_navigation():
        page.keyboard.press("Enter")
