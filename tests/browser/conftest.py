"""A headless Chromium for each test, or a skip where there is none."""

import base64
import importlib.util
import json
import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def pytest_collection_modifyitems(items):
    here = Path(__file__).parent
    for item in items:
        if here in Path(item.path).parents:
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="session")
def invented() -> ModuleType:
    path = Path(__file__).with_name("invented.py")
    spec = importlib.util.spec_from_file_location("invented_screened", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


class Browser:
    """What the tests need of a browser."""

    def __init__(self, driver, downloads: Path):
        self.driver = driver
        self.downloads = downloads

    def open(self, path: Path, *, width=1280, height=860, scheme="light"):
        self.driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False},
        )
        self.emulate({"prefers-color-scheme": scheme})
        self.driver.get(path.as_uri())
        return self

    def emulate(self, features, media=""):
        self.driver.execute_cdp_cmd(
            "Emulation.setEmulatedMedia",
            {
                "media": media,
                "features": [{"name": name, "value": value} for name, value in features.items()],
            },
        )

    def ask(self, script, *arguments):
        return self.driver.execute_script(f"return {script}", *arguments)

    def complaints(self):
        return self.driver.get_log("browser")

    def requests(self):
        """List the addresses that the page asked for."""
        found = []
        for entry in self.driver.get_log("performance"):
            message = json.loads(entry["message"])["message"]
            asked = message["params"]
            # The browser's own start page asks for its parts too.
            if message["method"] == "Network.requestWillBeSent" and not asked[
                "documentURL"
            ].startswith("chrome"):
                found.append(asked["request"]["url"])
        return found

    def picture(self, name: str) -> bytes:
        shot = self.driver.execute_cdp_cmd("Page.captureScreenshot", {"format": "png"})
        picture = base64.b64decode(shot["data"])
        if folder := os.environ.get("CLEANSPAN_PICTURES"):
            Path(folder, f"{name}.png").write_bytes(picture)
        return picture

    def paper(self) -> bytes:
        made = self.driver.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})
        return base64.b64decode(made["data"])


@pytest.fixture(scope="session")
def driver(tmp_path_factory) -> Iterator:
    webdriver = pytest.importorskip("selenium.webdriver")
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    names = ("chromium", "chromium-browser", "google-chrome")
    binary = next((found for name in names if (found := shutil.which(name))), None)
    helper = shutil.which("chromedriver")
    if binary is None or helper is None:
        pytest.skip("needs Chromium and its driver")
    options = Options()
    options.binary_location = binary
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(helper))
    yield driver
    driver.quit()


@pytest.fixture
def browser(driver, tmp_path: Path) -> Browser:
    """Give the browser as if it had just been started."""
    downloads = tmp_path / "downloads"
    downloads.mkdir()
    driver.get("about:blank")
    for command, parameters in (
        ("Emulation.setScriptExecutionDisabled", {"value": False}),
        ("Storage.clearDataForOrigin", {"origin": "file://", "storageTypes": "local_storage"}),
        ("Browser.setDownloadBehavior", {"behavior": "allow", "downloadPath": str(downloads)}),
    ):
        driver.execute_cdp_cmd(command, parameters)
    for kind in ("browser", "performance"):
        driver.get_log(kind)
    return Browser(driver, downloads)
