"""Make the README's pictures anew from the demo scenario: ``python data/make_pictures.py``."""

import os
import sys
import tempfile
from pathlib import Path

import matplotlib as mpl

mpl.use("agg")

from labkit.analysis import read_coffee  # after the choice of backend
from labkit.bench import plot_score, plot_surface
from labkit.book import LabBook, import_folder

HERE = Path(__file__).parent


def main() -> None:
    """Write ``data/pictures/*.png``."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "demo.db"
        import_folder(HERE / "demo", path)
        with LabBook(path) as book:
            ratio = read_coffee(book.scores.opened_scores(coffee="Veltara, washed"))
            grid = read_coffee(book.scores.opened_scores(coffee="Osmeni, natural"))
    os.makedirs(HERE / "pictures", exist_ok=True)
    for name, axes in (
        ("ratio", plot_score(ratio, "mg_share")),
        ("contour", plot_surface(grid)),
    ):
        axes.get_figure().savefig(HERE / "pictures" / f"{name}.png", dpi=110, bbox_inches="tight")
        sys.stdout.write(f"wrote data/pictures/{name}.png\n")


if __name__ == "__main__":
    main()
