"""Takes the picture that README.md shows: the last full week of the invented airline. Run it in the test environment:

    python .ci/picture.py [ARCHIVE]

ARCHIVE is a judged archive; without it the demonstration is made first.
"""

import socket
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

from playwright.sync_api import sync_playwright

from fdm.cli import run
from fdm.demo import demo_folder

TOP = Path(__file__).resolve().parent.parent
PICTURE = TOP / ".github" / "rollout-watch.png"
CHROMIUM = "/usr/bin/chromium"


def main() -> None:
    archive = sys.argv[1] if len(sys.argv) > 1 else made()
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "fdm", "dashboard", "--archive", str(archive), "--port", str(port)]
    with subprocess.Popen(command) as server:
        try:
            wait_for(port, server)
            take(f"http://127.0.0.1:{port}/")
        finally:
            server.terminate()
    print(PICTURE)


def made() -> Path:
    if run(["demo", "--once"]):
        raise SystemExit("the demonstration could not be made")
    return demo_folder(2000, 1) / "archive"


def wait_for(port: int, server: subprocess.Popen) -> None:
    for _ in range(600):
        with suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=5):
            return
        with suppress(subprocess.TimeoutExpired):
            server.wait(0.1)
            break
    raise SystemExit("the dashboard did not start")


def take(address: str) -> None:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport={"width": 1440, "height": 900}, color_scheme="light")
        page.goto(address)
        page.get_by_text("per 1,000").first.wait_for()
        page.locator(".js-plotly-plot .main-svg").first.wait_for()
        page.wait_for_load_state("networkidle")
        page.screenshot(path=PICTURE)
        browser.close()


if __name__ == "__main__":
    main()
