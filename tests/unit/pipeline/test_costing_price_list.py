"""The refined price list and the payback of a machine, from the jobs on record."""

import json
from datetime import timedelta

import numpy as np
import pytest
from costing_books import DAY, ROW, TOML, costing

from pipeline.cli.main import main
from shared.errors import RimebookError


def priced_rows(n: int) -> list[dict[str, object]]:
    rng = np.random.default_rng(4)
    zones = ("undercarriage", "engine_bay", "interior")
    rows = []
    for k in range(n):
        pellets, minutes = 50 * np.exp(rng.normal(0, 0.3)), 60 * np.exp(rng.normal(0, 0.3))
        rows.append({**ROW, "job_id": f"J{k:03d}", "day": DAY - timedelta(days=k), "zone": zones[k % 3],
                     "pellets_lb": pellets, "minutes": minutes, "price_usd": 300.0, "machine": "rig-1"})  # fmt: skip
    return rows


def test_refined_list_meets_the_wanted_margin_on_the_past(new_book) -> None:
    """Call-out plus zone at its soil factor, summed over the visits, is the cost over 1 - margin."""
    book = new_book(TOML, rows=priced_rows(60))
    result = costing(book, DAY + timedelta(days=1), price_list=True)
    prices = result.price_list
    assert prices is not None
    assert prices.margin_share == pytest.approx(0.3)
    assert prices.margin_low < 0.3 < prices.margin_high
    heavy = next(f.factor for f in prices.factors if f.name == "heavy")
    total = sum(p.lines * (prices.call_out.price_usd + heavy * p.price_usd) for p in prices.prices)
    assert total == pytest.approx(result.cost_usd / 0.7, rel=1e-6)
    assert all(p.low_usd < p.price_usd < p.high_usd for p in prices.prices)
    charged = sum(p.lines * (prices.call_out.charged_usd + prices.factors[0].charged_factor * p.charged_usd)
                  for p in prices.prices if len(prices.factors) == 1)  # fmt: skip
    assert charged in (0, pytest.approx(result.revenue_usd, rel=0.02))


def test_what_is_charged_now_is_given_back(new_book) -> None:
    """A shop that charges 60 and a price for each zone times its soil factor reads its own list under "now"."""
    rng = np.random.default_rng(5)
    zones = {"undercarriage": 200.0, "wheel_wells": 80.0, "engine_bay": 120.0}
    factors = {"light": 0.65, "moderate": 1.0, "heavy": 1.5}
    rows = []
    for k in range(150):
        worked = rng.choice(list(zones), rng.integers(1, 4), replace=False)
        soils = rng.choice(list(factors), len(worked))
        price = 60.0 + sum(zones[z] * factors[s] for z, s in zip(worked, soils, strict=True))
        rows += [{**ROW, "job_id": f"J{k:03d}", "day": DAY - timedelta(days=k), "zone": str(z), "soil_level": str(s),
                  "pellets_lb": 20 * factors[s] * np.exp(rng.normal(0, 0.2)), "minutes": 25.0,
                  "price_usd": price} for z, s in zip(worked, soils, strict=True)]  # fmt: skip
    prices = costing(new_book(TOML, rows=rows), DAY + timedelta(days=1), price_list=True).price_list
    assert prices is not None
    assert prices.call_out.charged_usd == pytest.approx(60.0, rel=0.02)
    assert prices.call_out.charged_usd != prices.call_out.price_usd
    assert {p.zone: p.charged_usd for p in prices.prices} == pytest.approx(zones, rel=0.02)
    assert {f.name: f.charged_factor for f in prices.factors} == pytest.approx(factors, rel=0.02)


FREE = """
[costs]
labour_usd_per_hour = 0
compressor_usd_per_hour = 0
equipment_usd_per_hour = 0
consumables_usd_per_job = {consumables}
overhead_usd_per_hour = 0
[ice]
price_breaks = [{{from_lb = 0, usd_per_lb = 0}}]
delivery_fee_usd = 0
[machines.rig-1]
bought_usd = 2000
"""


@pytest.mark.parametrize("consumables", [0, 6])
@pytest.mark.filterwarnings("error")
def test_where_nothing_costs_a_machine_earns_its_price_and_no_list_is_made(new_book, consumables: int) -> None:
    """Lines of a visit share alike where ice and work cost nothing; a list, which would price no zone, is refused."""
    twice = [{**row, "zone": "wheel_wells"} for row in priced_rows(39)]
    book = new_book(FREE.format(consumables=consumables), rows=[*priced_rows(39), *twice])
    result = costing(book, DAY + timedelta(days=1), payback="rig-1")
    assert result.payback is not None
    assert (result.payback.visits, result.payback.unpriced_visits) == (39, 0)
    assert sum(g.revenue_usd for g in result.by if g.by == "zone") == pytest.approx(result.revenue_usd)
    with pytest.raises(RimebookError) as told:
        costing(book, DAY + timedelta(days=1), price_list=True)
    assert told.value.problem.code == "no-costs"


def test_list_needs_ten_priced_jobs(new_book) -> None:
    """With fewer there is nothing to refine, and the error says what to log."""
    with pytest.raises(RimebookError) as told:
        costing(new_book(TOML, rows=priced_rows(9)), DAY + timedelta(days=1), price_list=True)
    assert told.value.problem.code == "too-few-prices"


def test_command_writes_the_list_and_answers_in_text_and_json(new_book, tmp_path, capsys) -> None:
    """--price-list writes the file (never over another), the text stays within 80 columns, JSON has its keys."""
    toml = TOML + "[machines.rig-1]\nbought_usd = 2000\n"
    book = new_book(toml, rows=priced_rows(30))
    asked = ["costing", "--book", str(book.folder), "--today", "2026-03-03", "--payback", "rig-1"]
    file = tmp_path / "prices.csv"
    assert main([*asked, "--price-list", str(file)]) == 0
    out = capsys.readouterr().out
    assert all(len(line) <= 80 for line in out.splitlines())
    assert "Refined price list" in out
    assert "pays back" in out
    assert file.read_text().startswith("vehicle_class,zone")
    assert main([*asked, "--price-list", str(file), "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["error"]["code"] == "file-exists"
    assert main([*asked, "--price-list", "prices.doc", "--json"]) == 2
    capsys.readouterr()
    assert main([*asked, "--price-list", str(file / "inside.csv")]) == 1
    assert "found no such folder; expected a folder to write in" in capsys.readouterr().err
    capsys.readouterr()
    assert main([*asked, "--json"]) == 0
    result = json.loads(capsys.readouterr().out)["result"]
    assert {"jobs", "revenue_usd", "cost_usd", "margin_share", "by", "worst", "quotes"} <= set(result)
    assert {"saved", "won", "lost", "open", "above_interval", "below_interval"} <= set(result["quotes"])
