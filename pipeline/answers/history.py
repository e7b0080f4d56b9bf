"""The shop's history as it is learned from."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from pipeline.answers.ice_log import ice_age_before
from pipeline.book.tables import job_table

if TYPE_CHECKING:
    from datetime import date

    from models.consumption.jobs import JobTable
    from pipeline.book.store import Book


#: Decimals of a derived age. Sums of pellets differ in their last digits with the order of the rows; ages that carry
#: these digits would tell jobs apart that are alike, and draw their noise anew.
_AGE_DECIMALS = 6


def history(book: Book, before: date) -> JobTable:
    """Return the jobs dated before a day as a job table.

    Lines without an age of the ice get the one that deliveries, use and weighings before that day tell, oldest ice
    first; where no ice was known it stays NaN.
    """
    table = job_table(book, before)
    written = table.settings["ice_age_days"]
    if not table.n_lines or not np.isnan(written).any():
        return table
    ages = ice_age_before(book, before)
    if not ages:
        return table
    derived = np.round(np.array([ages.get(job, np.nan) for job in table.job_id]), _AGE_DECIMALS)[table.line_job]
    return replace(table, settings={**table.settings, "ice_age_days": np.where(np.isnan(written), derived, written)})
