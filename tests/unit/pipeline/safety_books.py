"""A bay, a book that has it and a vehicle in it, for tests of safety."""

from datetime import date

from pipeline.answers.answer import Asking
from pipeline.answers.requests import JobAsked, job_from_options
from pipeline.book.store import create_book

TODAY = date(2026, 6, 1)
BAY = "[bays.north]\nlength_ft=40\nwidth_ft=20\nheight_ft=12\nflow_cfm=900\nnoise_dba=105\n"


def book_asked(folder, toml: str) -> Asking:
    return Asking(create_book(folder, toml), TODAY)


def suv(asking: Asking, *zones: str) -> JobAsked:
    return job_from_options(asking.book.settings, vehicle="suv", zones=zones or ("undercarriage:heavy",), day=TODAY)
