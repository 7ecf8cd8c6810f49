"""Writes photos/histograms.csv and photos/page_local.png: what scikit-image says of its own open photos.

    python make_photos.py FOLDER_WITH_coins.png_gravel.png_brick.png

(scikit-image 0.26.0; those three pictures are not carried, only their histograms.)
"""
import sys
from pathlib import Path

import numpy as np
from skimage.filters import threshold_local, threshold_otsu
from skimage.io import imread, imsave

here = Path(__file__).parent / "photos"
other = Path(sys.argv[1])
names = ["page.png", "text.png", "coins.png", "gravel.png", "brick.png"]
images = [imread((here if (here / n).exists() else other) / n) for n in names]
rows = [["grey", *names], ["otsu", *(str(threshold_otsu(i)) for i in images)]]
counts = [np.bincount(i.ravel(), minlength=256) for i in images]
rows += [[str(g), *(str(c[g]) for c in counts)] for g in range(256)]
(here / "histograms.csv").write_text("\n".join(",".join(r) for r in rows) + "\n")
page = images[0]
# Dark where below the Gaussian-weighted mean of 35 x 35 pixels less 10 (the values of scikit-image's own example, from memory).
imsave(here / "page_local.png", ((page <= threshold_local(page, 35, offset=10)) * 255).astype(np.uint8), check_contrast=False)
