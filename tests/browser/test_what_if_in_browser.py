"""The what-if screen in JupyterLab: sliders, keys and clicks change picture and numbers."""

import pytest

SCREEN = "06_what_if.ipynb"
PICTURE = "img[data-count]"


@pytest.fixture
def open_screen(sheet):
    found = sheet(SCREEN)
    found.run_all()
    found.page.wait_for_selector(PICTURE)
    found.page.wait_for_function("!document.querySelector('p[aria-live]').innerText.includes('…')")
    return found


def words(page):
    return page.locator("p[aria-live]").first.inner_text()


def pixels(page):
    return page.evaluate(f"""async () => {{
      const picture = document.querySelector("{PICTURE}");
      await picture.decode();
      const canvas = document.createElement("canvas");
      [canvas.width, canvas.height] = [picture.naturalWidth, picture.naturalHeight];
      const context = canvas.getContext("2d");
      context.drawImage(picture, 0, 0);
      let sum = 0;
      const data = context.getImageData(0, 0, canvas.width, canvas.height).data;
      for (let i = 0; i < data.length; i++) sum = (sum * 31 + data[i]) % 1000000007;
      return sum;
    }}""")


def settled(page, act):
    """Do something, wait until the picture was replaced and its intervals are there; words before and after."""
    before, count = words(page), int(page.locator(PICTURE).first.get_attribute("data-count"))
    act()
    page.wait_for_function(f"Number(document.querySelector('{PICTURE}').dataset.count) > {count}")
    page.wait_for_function("!document.querySelector('p[aria-live], p[role=alert]').innerText.includes('…')")
    return before, words(page) if page.locator("p[aria-live]").count() else ""


def test_slider_keys_change_picture_and_numbers(open_screen):
    page = open_screen.page
    images, old = page.locator(".jp-OutputArea img").count(), pixels(page)
    page.get_by_label("panel thickness [mm], slider").focus()
    _, after = settled(page, lambda: [page.keyboard.press("ArrowRight") for _ in range(10)])
    assert "blur" in after and "heavier" in after
    assert float(page.get_by_label("panel thickness [mm]", exact=True).input_value()) == pytest.approx(4.0)
    assert pixels(page) != old
    assert page.locator(".jp-OutputArea img").count() == images  # replaced, not stacked
    assert open_screen.errors == [] and open_screen.elsewhere == []


def test_with_the_keyboard_alone(open_screen):
    """From the sheet's list on with Tab: type a number, move the cursor over the holes, set a foot, press a button."""
    page = open_screen.page
    page.get_by_label("panel thickness [mm]", exact=True).focus()
    page.keyboard.press("Control+A")
    page.keyboard.type("5")
    _, after = settled(page, lambda: page.keyboard.press("Tab"))
    assert "heavier" in after
    page.locator(PICTURE).first.focus()
    for key in ("ArrowRight", "ArrowUp"):
        settled(page, lambda key=key: page.keyboard.press(key))
    settled(page, lambda: page.keyboard.press("Enter"))
    assert "with 1 extra feet" in page.locator(PICTURE).first.get_attribute("alt")
    page.get_by_role("button", name="Back to baseline").focus()
    _, after = settled(page, lambda: page.keyboard.press("Enter"))
    assert "This is the baseline" in after
    assert open_screen.errors == []


def test_a_click_on_a_hole_sets_a_foot(open_screen):
    page = open_screen.page
    box = page.locator(PICTURE).first.bounding_box()
    place = {"x": 0.155 * box["width"], "y": 0.5 * box["height"]}
    settled(page, lambda: page.locator(PICTURE).first.click(position=place))
    assert "with 1 extra feet" in page.locator(PICTURE).first.get_attribute("alt")
    assert "foot under the panel is a guess" in page.locator(".jp-OutputArea").last.inner_text()


def test_what_cannot_be_is_said_on_the_screen(open_screen):
    page = open_screen.page
    page.get_by_label("panel along x [mm]", exact=True).fill("100")
    page.keyboard.press("Tab")
    page.wait_for_selector("p[role=alert]")
    assert "off the panel" in page.locator("p[role=alert]").inner_text()
    settled(page, lambda: (page.get_by_label("panel along x [mm]", exact=True).fill("300"), page.keyboard.press("Tab")))
    assert page.locator("p[role=alert]").count() == 0


def test_a_dark_page_has_a_dark_picture(open_screen):
    page = open_screen.page
    old = pixels(page)
    settled(
        page,
        lambda: page.evaluate(
            "() => window.jupyterapp.commands.execute('apputils:change-theme', { theme: 'JupyterLab Dark' })"
        ),
    )
    assert pixels(page) != old


@pytest.mark.parametrize("width", [800, 1280])
def test_nothing_sticks_out(sheet, width):
    found = sheet(SCREEN, width=width)
    found.run_all()
    found.page.wait_for_selector(PICTURE)
    wide = found.page.evaluate(
        "[...document.querySelectorAll('.dial-grid label, img[data-count]')].map((part) => "
        "part.getBoundingClientRect().right - part.closest('.jp-OutputArea').getBoundingClientRect().right)"
    )
    assert max(wide) <= 1
