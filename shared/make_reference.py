"""Write the reference pages, `job-keys.md` and `shop-keys.md`, beside this script from the code.

Run `python shared/make_reference.py` after a key was added or changed.
"""

from __future__ import annotations

from pathlib import Path

from relief.reference import job_page, shop_page

PAGES = {"job-keys.md": job_page, "shop-keys.md": shop_page}


def main(folder: Path) -> None:
    """Write every page into `folder`."""
    for name, page in PAGES.items():
        (folder / name).write_text(page(), encoding="utf-8")


if __name__ == "__main__":
    main(Path(__file__).parent)
