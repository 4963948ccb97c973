"""The page printed by a real browser."""

from datetime import datetime

from labkit.show.page import Section, print_pdf, render_page


def test_a_page_is_printed(chromium, tmp_path):
    text = [f"Line {k} of a long page." for k in range(200)]
    page = render_page(
        "Two pages",
        "",
        (),
        [Section(title="s", paragraphs=tuple(text))],
        synthetic=False,
        version="0",
        when=datetime(2025, 4, 2),
    )
    print_pdf(page, tmp_path / "page.pdf")
    content = (tmp_path / "page.pdf").read_bytes()
    assert content.startswith(b"%PDF") and content.count(b"/Type /Page\n") + content.count(b"/Type /Page ") >= 2
