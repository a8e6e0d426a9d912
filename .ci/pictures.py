"""Takes the pictures of README.md and dashboard/TOUR.md, of the invented airline. Run it in the test environment:

    PYTHONPATH=. python .ci/pictures.py [ARCHIVE]

ARCHIVE is a judged archive, which is not changed; without it the demonstration is made first. What is decided in the
pictures is kept in a store of their own, which goes with them.
"""

import base64
import os
import sys
import tempfile
from pathlib import Path

import polars as pl
from playwright.sync_api import Page, sync_playwright

from fdm.archive import Archive
from fdm.cli import run
from fdm.demo import demo_folder, last_full_week
from fdm.notebook import worst_first
from fdm.people.acts import Judged
from fdm.people.location import people_url
from fdm.people.roles import OFFICER, Actor
from fdm.people.store import People
from tests.bench.serving import dashboard

TOP = Path(__file__).resolve().parent.parent
FOLDER = TOP / ".github" / "pictures"
CHROMIUM = "/usr/bin/chromium"
SCREEN = {"width": 1440, "height": 900}
LARGEST = 150_000  # bytes of one picture
BY = Actor("safety officer", OFFICER)
AS_WEBP = """async ([data, quality]) => {
  const image = new Image(); image.src = 'data:image/png;base64,' + data; await image.decode();
  const canvas = document.createElement('canvas'); canvas.width = image.width; canvas.height = image.height;
  canvas.getContext('2d').drawImage(image, 0, 0);
  return canvas.toDataURL('image/webp', quality).split(',')[1];
}"""


def main() -> None:
    archive = Path(sys.argv[1] if len(sys.argv) > 1 else made())
    FOLDER.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        os.environ["FDM_PEOPLE_URL"] = f"{folder}/people.sqlite"
        os.environ["FDM_PSEUDONYM_KEY"] = f"{folder}/pseudonym.key"
        week, landing = decided(archive)
        with dashboard(archive) as address, sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
            page = browser.new_page(viewport=SCREEN, color_scheme="light")
            for name, (path, there) in paths(week, landing).items():
                screen(page, address + path, there, name)
            for name, arguments in (("sheet", [landing]), ("digest", ["--week", week])):
                paper(page, archive, Path(folder), name, arguments)
            browser.close()


def paths(week: str, landing: str) -> dict[str, tuple[str, str]]:
    """What is looked at on the screen, and what has come once the page is there."""
    chart = ".js-plotly-plot .main-svg"
    return {
        "week": (f"/?week={week}", chart),
        "landing": (f"/landing/{landing}", chart),
        "debrief": (f"/debrief/{landing}", chart),
        "limits": ("/limits/late_spoilers", "#limits-chart svg"),
        "health": ("/health", "main table, .sheet table, table"),
    }


def made() -> Path:
    if run(["demo", "--once"]):
        raise SystemExit("the demonstration could not be made")
    return demo_folder(2000, 1) / "archive"


def decided(archive: Path) -> tuple[str, str]:
    """Some events of the last full week decided, and the landing whose lapse cost the most released to debriefing."""
    store = Archive(archive)
    week = last_full_week(store.landings())
    if week is None:
        raise SystemExit("no landing of this archive has a date")
    utc = pl.col("touchdown_utc")
    iso = pl.format("{}-W{}", utc.dt.iso_year(), utc.dt.strftime("%V"))
    events = worst_first(store.events().filter(iso == week))
    costs = store.costs().filter(pl.col("extra_m_lower") > 30, pl.col("extra_m") < 400)
    dear = costs.join(events.select("event_id"), on="event_id", how="semi").sort("extra_m", descending=True)
    landing = str(dear["landing_id"][0]) if dear.height else str(events["landing_id"][0])
    with People(people_url(archive)) as people:
        for number, event in enumerate(events.iter_rows(named=True)):
            mine = event["landing_id"] == landing
            if number % 3 == 2 and not mine:
                continue
            verdict = "valid" if mine or number % 5 else "nuisance"
            reason = "" if verdict == "valid" else "Limit too tight for this runway or procedure"
            people.decide(Judged.of(event), verdict, by=BY, seen=None, reason=reason)
            if mine:
                people.release(event["event_id"], by=BY)
    return week, landing


def screen(page: Page, address: str, there: str, name: str) -> None:
    """A page of the dashboard once it has come to rest."""
    page.goto(address)
    page.locator(there).first.wait_for(timeout=120_000)
    page.wait_for_load_state("networkidle")
    page.wait_for_function("!document.querySelector('[data-dash-is-loading=true]')")
    keep(page, page.screenshot(), name)


def paper(page: Page, archive: Path, folder: Path, name: str, arguments: list[str]) -> None:
    """The first page of what is printed."""
    file = folder / f"{name}.html"
    if run([name, "--archive", str(archive), "--out", str(file), *arguments]):
        raise SystemExit(f"the {name} could not be made")
    page.goto(file.as_uri())
    keep(page, page.locator(".page").first.screenshot(), name)


def keep(page: Page, png: bytes, name: str) -> None:
    """A picture as WebP, as good as its size allows."""
    data = base64.b64encode(png).decode()
    for quality in (0.9, 0.8, 0.7, 0.6, 0.5, 0.4):
        page.goto("about:blank")
        webp = base64.b64decode(page.evaluate(AS_WEBP, [data, quality]))
        if len(webp) <= LARGEST:
            break
    target = FOLDER / f"{name}.webp"
    target.write_bytes(webp)
    print(f"{len(webp):,} bytes  {target}")


if __name__ == "__main__":
    main()
