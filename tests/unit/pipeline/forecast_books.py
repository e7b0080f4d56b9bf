"""Jobs and bookings of simple shops whose months are forecast, and what is forecast of them."""

from datetime import date, timedelta

from pipeline.answers.answer import Asking
from pipeline.answers.forecasting import ForecastQuestion, forecast

TODAY = date(2026, 7, 1)


def job(i, day, lb=50.0, minutes=60.0):
    return {"job_id": f"T-{i:04d}", "vehicle": "", "day": day, "vehicle_class": "van", "zone": "undercarriage",
            "soil_level": "moderate", "pellets_lb": lb, "minutes": minutes}  # fmt: skip


def weekday_jobs(first, last, *, every=1):
    """Return a job on each `every`-th weekday, of somewhat different size."""
    days = [first + timedelta(days=k) for k in range((last - first).days + 1)]
    working = [d for d in days if d.weekday() < 5][::every]
    return [job(i, d, lb=40.0 + 7 * (i % 5), minutes=50.0 + 6 * (i % 4)) for i, d in enumerate(working)]


def book_jobs(book, bookings):
    """Put bookings into a book, each (day it was taken, day of the job, status)."""
    with book.writing() as connection:
        for i, (taken, day, status) in enumerate(bookings):
            connection.execute(
                "insert into bookings (booking_id, taken_on, day, vehicle_class, zone, soil_level, status, customer,"
                " job_id, batch, row_hash) values (?, ?, ?, 'van', 'undercarriage', 'moderate', ?, '', '', 0, ?)",
                [f"B-{taken}-{day}-{i}", taken, day, status, i],
            )


def answered(book, today=TODAY, **question):
    return forecast(Asking(book, today), ForecastQuestion(**question))
