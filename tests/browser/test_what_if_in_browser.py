"""The what-if screen in JupyterLab: sliders, keys and clicks change picture and numbers."""

import pytest

SCREEN = "only_the_screen.ipynb"
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


def settled(page, act, *, until):
    """Do something, wait until the description of the picture says `until` and intervals are there; give the words."""
    act()
    page.wait_for_function(f"document.querySelector('{PICTURE}').alt.includes({until!r})")
    page.wait_for_function("!document.querySelector('p[aria-live]')?.innerText.includes('…')")
    return words(page)


def test_slider_keys_change_picture_and_numbers(open_screen):
    page = open_screen.page
    images, old = page.locator(".jp-OutputArea img").count(), pixels(page)
    page.get_by_label("panel thickness [mm], slider").focus()
    ten = lambda: [page.keyboard.press("ArrowRight") for _ in range(10)]  # noqa: E731
    after = settled(page, ten, until="Panel of 4 mm")
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
    after = settled(page, lambda: page.keyboard.press("Tab"), until="Panel of 5 mm")
    assert "heavier" in after
    page.locator(PICTURE).first.focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowUp")
    settled(page, lambda: page.keyboard.press("Enter"), until="with 1 extra feet")
    page.get_by_role("button", name="Back to baseline").focus()
    after = settled(page, lambda: page.keyboard.press("Enter"), until="Panel of 3 mm hardboard with 0 extra feet")
    assert "This is the baseline" in after
    assert open_screen.errors == []


def test_a_click_on_a_hole_sets_a_foot(open_screen):
    page = open_screen.page
    box = page.locator(PICTURE).first.bounding_box()
    place = {"x": 0.155 * box["width"], "y": 0.5 * box["height"]}
    settled(page, lambda: page.locator(PICTURE).first.click(position=place), until="with 1 extra feet")
    assert "foot under the panel is a guess" in page.locator(".jp-OutputArea").last.inner_text()


def test_what_cannot_be_is_said_on_the_screen(open_screen):
    page = open_screen.page
    page.get_by_label("panel along x [mm]", exact=True).fill("100")
    page.keyboard.press("Tab")
    page.wait_for_selector("p[role=alert]")
    assert "off the panel" in page.locator("p[role=alert]").inner_text()
    page.get_by_label("panel along x [mm]", exact=True).fill("300")
    page.keyboard.press("Tab")
    page.wait_for_selector("p[aria-live]")
    assert page.locator("p[role=alert]").count() == 0


def test_a_dark_page_has_a_dark_picture(open_screen):
    page = open_screen.page
    bright, count = pixels(page), page.locator(PICTURE).first.get_attribute("data-count")
    page.evaluate("() => window.jupyterapp.commands.execute('apputils:change-theme', { theme: 'JupyterLab Dark' })")
    page.wait_for_function(f"document.querySelector('{PICTURE}').dataset.count !== '{count}'")
    assert pixels(page) != bright


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
