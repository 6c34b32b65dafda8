"""The notebook of the maker who works with reedlab: the season so far as a study on disk.

It stands in for filled bench sheets and opened keys: the tables that they would leave, and
the plans of the batches beside them, are written into a new folder each time.
"""

import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pandas as pd

from reedlab.demo.workshop import Workshop
from reedlab.plan import Batch
from reedlab.study import BatchRecord, Study, open_study, write_study


class Notebook:
    """Writes what a workshop's maker knows as a study; a context manager."""

    def __init__(self, shop: Workshop) -> None:
        self.shop = shop
        self.batches: list[BatchRecord] = []
        self._home = tempfile.TemporaryDirectory()
        self._count = 0

    def __enter__(self) -> "Notebook":
        return self

    def __exit__(self, *_: object) -> None:
        self._home.cleanup()

    def plan(self, batch: Batch) -> None:
        """Keep the plan of a batch, with its key, before it is made."""
        cane = self.shop.cane
        tables = {"lots": cane[["lot_id"]].drop_duplicates(), "tubes": cane}
        study = write_study(self._next(), tables, self.shop.record.settings())
        batch.write(study)
        for part in ("plans", "keys"):
            shutil.copytree(study.folder / part, self._kept / part, dirs_exist_ok=True)
        opened = replace(batch.record, sealed=False, unblinded="2026-12-31")
        self.batches.append(opened)

    def made(self, batch: Batch, reeds: Mapping[int, str]) -> None:
        """Write down which reeds the batch's places became."""
        codes = dict(zip(batch.key["place"], batch.key["blind_code"], strict=True))
        named = {reed: str(codes[place]) for place, reed in reeds.items()}
        self.shop.record.name_batch(batch.batch_id, named)

    def study(self) -> Study:
        """Write the season so far and open it."""
        record = self.shop.record
        settings = record.settings(tuple(self.batches))
        tables = record.tables()
        tables["tubes"] = self._tubes(tables)
        tables["lots"] = tables["tubes"][["lot_id"]].drop_duplicates()
        folder = write_study(self._next(), tables, settings).folder
        shutil.copytree(self._kept, folder, dirs_exist_ok=True)
        return open_study(folder)

    def _tubes(self, tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
        """All tubes so far, with the pieces that became reeds or are left; split ones are gone."""
        tubes = pd.concat([tables["tubes"], self.shop.cane]).drop_duplicates("tube_id")
        left = self.shop.cane.set_index("tube_id")["pieces"]
        reeds = tables["reeds"]["tube_id"].value_counts()
        pieces = [left.get(tube, 0) + reeds.get(tube, 0) for tube in tubes["tube_id"]]
        return tubes.assign(pieces=pieces).reset_index(drop=True)

    @property
    def _kept(self) -> Path:
        return Path(self._home.name) / "kept"

    def _next(self) -> Path:
        self._count += 1
        return Path(self._home.name) / f"study {self._count}"
