"""The report in a real browser: on paper, on a narrow screen, without colour, for those who cannot see it."""

from __future__ import annotations

import re
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image, ImageChops

from tests.page.stage import chromium

pytestmark = pytest.mark.browser
AXE = Path(__file__).parents[1] / "page/axe/axe.min.js"
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
A4_POINTS = (595, 842)
WIDE = "() => document.documentElement.scrollWidth - window.innerWidth"
OUTSIDE = """() => [...document.querySelectorAll('svg.picture, table, p, h1, h2, dd')].filter(one => {
  const box = one.getBoundingClientRect();
  return box.width > 0 && (box.left < -1 || box.right > window.innerWidth + 1);
}).map(one => one.outerHTML.slice(0, 90))"""


async def test_it_prints_on_a4(report: Path, tmp_path: Path) -> None:
    """Pages of A4, and nothing of it wider than the paper between its margins."""
    async with chromium() as browser:
        page = await browser.new_page(viewport={"width": 695, "height": 1000})  # 184 mm at 96 dots an inch
        await page.goto(report.as_uri())
        await page.emulate_media(media="print")
        assert await page.evaluate(OUTSIDE) == []
        pdf = await page.pdf(path=tmp_path / "report.pdf", prefer_css_page_size=True)
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", pdf)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == len(boxes) > 3
    for wide, high in boxes:
        assert (float(wide), float(high)) == pytest.approx(A4_POINTS, abs=1.5)


@pytest.mark.parametrize("width", [1280, 1000, 390])
async def test_nothing_runs_off_the_screen(report: Path, width: int) -> None:
    """No scrolling from side to side on a desk or a phone, nothing asked of elsewhere, no complaint."""
    said: list[str] = []
    async with chromium() as browser:
        page = await browser.new_page(viewport={"width": width, "height": 900})
        page.on("console", lambda message: said.append(message.text))
        page.on(
            "request", lambda request: said.append(request.url) if request.url != report.as_uri() else None
        )
        await page.goto(report.as_uri())
        assert await page.evaluate(WIDE) <= 0
        assert await page.locator("svg.picture").count() > 8
        for figure in await page.locator("svg.picture").all():
            box = await figure.bounding_box()
            assert box is not None
            assert box["width"] > 150
            assert box["height"] > 40
    assert said == []


async def test_it_is_drawn_without_colour(report: Path) -> None:
    """Every pixel is black, white or grey: a black and white printer loses nothing. It is not blank either."""
    async with chromium() as browser:
        page = await browser.new_page(viewport={"width": 1000, "height": 900})
        await page.goto(report.as_uri())
        seen = Image.open(BytesIO(await page.screenshot(full_page=True))).convert("RGB")
    red, green, blue = seen.split()
    for other in (green, blue):
        apart = ImageChops.difference(red, other).histogram()
        assert sum(apart[3:]) == 0
    dark = sum(red.histogram()[:128]) / (seen.width * seen.height)
    assert 0.01 < dark < 0.3


async def test_everybody_can_read_it(report: Path) -> None:
    """axe-core finds no violation of WCAG 2.2 AA."""
    async with chromium() as browser:
        context = await browser.new_context(bypass_csp=True)
        page = await context.new_page()
        await page.goto(report.as_uri())
        await page.evaluate(AXE.read_text("utf-8"))
        found = await page.evaluate(
            "rules => axe.run(document, {runOnly: {type: 'tag', values: rules}})"
            ".then(r => r.violations.map(v => v.id + ': ' + v.nodes[0].html.slice(0, 120)))",
            RULES,
        )
        assert found == []
