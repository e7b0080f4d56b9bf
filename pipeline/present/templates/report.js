"use strict";
(() => {
  const root = document.documentElement;
  root.classList.add("js");
  const byId = (id) => document.getElementById(id);

  // Sorting: a head's button orders its table's rows by data-v; a second press turns the order round.
  for (const button of document.querySelectorAll("th button")) {
    button.addEventListener("click", () => {
      const head = button.closest("th");
      const table = head.closest("table");
      const column = [...head.parentNode.children].indexOf(head);
      const up = head.getAttribute("aria-sort") !== "ascending";
      for (const other of table.querySelectorAll("thead th[aria-sort]")) other.setAttribute("aria-sort", "none");
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      const key = (row) => row.children[column].dataset.v;
      const number = head.classList.contains("n");
      const rows = [...table.tBodies[0].rows];
      rows.sort((a, b) => {
        const [x, y] = [key(a), key(b)];
        if (x === "" || y === "") return (x === "") - (y === "");
        const order = number ? Number(x) - Number(y) : x.localeCompare(y, undefined, { numeric: true });
        return up ? order : -order;
      });
      table.tBodies[0].append(...rows);
      byId("sorted").textContent = `Sorted by ${button.textContent}, ${up ? "ascending" : "descending"}.`;
    });
  }

  // A table that is wider than its place says so.
  const measure = () => {
    for (const place of document.querySelectorAll(".scroll")) {
      place.parentNode.classList.toggle("wide", place.scrollWidth > place.clientWidth + 1);
    }
  };
  measure();
  addEventListener("resize", measure);

  // The quote explorer: the same sums as the command, over the same scenarios.
  const data = JSON.parse(byId("prices-data").textContent);
  const decoded = new Map();
  const costsOf = (choice) => {
    if (!decoded.has(choice)) {
      const bytes = Uint8Array.from(atob(choice.costs), (c) => c.charCodeAt(0));
      const costs = [];
      let value = 0;
      for (let i = 0; i < bytes.length; ) {
        let step = 0, scale = 1, byte;
        do { byte = bytes[i++]; step += (byte & 127) * scale; scale *= 128; } while (byte > 127);
        value += step;
        costs.push(value / 1e4);
      }
      decoded.set(choice, costs);
    }
    return decoded.get(choice);
  };
  const quantile = (sorted, q) => {
    const at = q * (sorted.length - 1), low = Math.floor(at), share = at - low;
    return sorted[low] + ((sorted[low + 1] ?? sorted[low]) - sorted[low]) * share;
  };
  const roundUp = (amount, step) => Math.ceil(Math.round((amount / step) * 1e9) / 1e9) * step;
  const lossAt = (costs, price) => costs.filter((c) => c > price).length / costs.length;
  const money = (usd, cents) => {
    const digits = Math.abs(usd).toLocaleString("en-US", { minimumFractionDigits: cents ? 2 : 0, maximumFractionDigits: cents ? 2 : 0 });
    const minus = usd < 0 && /[1-9]/.test(digits) ? "-" : "";
    return data.sign ? `${minus}${data.sign}${digits}` : `${minus}${digits} ${data.currency}`;
  };
  const charged = (usd) => money(usd, Math.abs(usd - Math.round(usd)) >= 0.005);
  // Scenarios without a loss do not show that there is none.
  const chance = (share) => share ? percent(share) : "< 1 %";
  const percent = (share) => share > 0 && share < 0.005 ? "< 1 %" : share > 0.995 && share < 1 ? "> 99 %" : `${Math.round(share * 100)} %`;
  const show = (id, text, value) => { const at = byId(id); at.textContent = text; if (value !== undefined) at.dataset.value = value; };
  const share = (input, low, high) => {
    const value = Number(input.value) / 100, good = input.value !== "" && value >= low && value <= high;
    input.setAttribute("aria-invalid", String(!good));
    return good ? value : null;
  };

  const draw = (costs, price, low, high) => {
    const width = 480, base = 120, end = Math.max(quantile(costs, 0.995), price * 1.05), start = costs[0] * 0.97;
    const x = (usd) => ((usd - start) / (end - start || 1)) * width, bins = 32, counts = new Array(bins).fill(0);
    for (const c of costs) if (c <= end) counts[Math.min(bins - 1, Math.floor(((c - start) / (end - start || 1)) * bins))] += 1;
    const most = Math.max(...counts), parts = [];
    counts.forEach((n, i) => {
      const at = start + ((i + 0.5) / bins) * (end - start), tall = (n / most) * (base - 22);
      parts.push(["rect", { x: (i * width) / bins + 1, y: base - tall, width: width / bins - 2, height: tall, class: at > price ? "l" : "b" }]);
    });
    parts.push(["line", { x1: x(low), x2: x(high), y1: 12, y2: 12 }], ["line", { x1: x(price), x2: x(price), y1: 4, y2: base }]);
    const label = (usd, text, anchor, y) => parts.push(["text", { x: Math.min(Math.max(x(usd), 2), width - 2), y, "text-anchor": anchor }, text]);
    label(start, money(start), "start", base + 16);
    label(end, money(end), "end", base + 16);
    label(price, `price ${charged(price)}`, x(price) > width * 0.8 ? "end" : x(price) < width * 0.2 ? "start" : "middle", base + 36);
    const svg = byId("bars");
    svg.replaceChildren(...parts.map(([name, attributes, text]) => {
      const element = document.createElementNS("http://www.w3.org/2000/svg", name);
      for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
      if (text) element.textContent = text;
      return element;
    }));
  };

  const [job, soil, margin, risk, own] = ["job", "soil", "margin", "risk", "own"].map(byId);
  const fillSoils = () => {
    const kept = soil.value;
    soil.replaceChildren(...data.jobs[job.value].choices.map((c, i) => new Option(c.soil_label, i)));
    const again = data.jobs[job.value].choices.findIndex((c, i) => String(i) === kept);
    soil.value = again < 0 ? "0" : kept;
  };
  const tell = () => {
    const choice = data.jobs[job.value].choices[soil.value], costs = costsOf(choice);
    show("pellets", choice.pellets); show("minutes", choice.minutes); show("rests", choice.rests); show("command", choice.command);
    const wanted = share(margin, 0, 0.95), accepted = share(risk, 0.001, 0.999);
    if (wanted === null || accepted === null) {
      show("price", "Margin: 0 to 95 %; risk: 0.1 to 99.9 %.");
      return;
    }
    const forMargin = choice.mean / (1 - wanted), forRisk = quantile(costs, 1 - accepted);
    const named = [["margin", forMargin], ["risk", forRisk], ["minimum", data.minimum]];
    const [binding, bound] = named.reduce((best, next) => (next[1] > best[1] ? next : best));
    const price = Math.max(roundUp(bound, data.round_to), data.round_to);
    const loss = lossAt(costs, price), expected = 1 - choice.mean / price;
    const low = quantile(costs, 0.5 - data.level / 2), high = quantile(costs, 0.5 + data.level / 2);
    show("price", `${charged(price)} before tax`, price);
    const why = { margin: `the wanted margin of ${percent(wanted)}`, risk: `the accepted risk of ${percent(accepted)}`, minimum: "the minimum charge" };
    show("why", `Set by ${why[binding]}.` + (data.tax ? ` With tax ${money(price * (1 + data.tax), true)}.` : ""), binding);
    show("loss", `${chance(loss)} (the cost comes out above the price)`, loss);
    show("expected", `${percent(expected)} of the price: what the mean cost leaves of it`, expected);
    show("cost", `mean ${money(choice.mean, true)}, middle ${money(quantile(costs, 0.5))}, ${percent(data.level)} between ${money(low)} and ${money(high)}`, choice.mean);
    show("for-margin", `${money(forMargin, true)} (mean cost / ${Number((100 * (1 - wanted)).toFixed(2))} %)`, forMargin);
    show("for-risk", `${money(forRisk, true)} (the cost is above it in ${percent(accepted)} of cases)`, forRisk);
    const asked = Number(own.value);
    show("own-told", own.value === "" ? "" : !(asked > 0) ? "Write a price above 0." :
      `At ${money(asked, true)}: chance of loss ${chance(lossAt(costs, asked))}, expected margin ${percent(1 - choice.mean / asked)} of the price.`,
      own.value === "" || !(asked > 0) ? "" : lossAt(costs, asked));
    draw(costs, price, low, high);
    byId("bars").setAttribute("aria-label", `Cost of this job: ${percent(data.level)} between ${money(low)} and ${money(high)}; price ${charged(price)}.`);
  };
  data.jobs.forEach((one, i) => job.append(new Option(one.label, i)));
  job.addEventListener("change", () => { fillSoils(); tell(); });
  for (const input of [soil, margin, risk, own]) input.addEventListener("input", tell);
  fillSoils();
  tell();
})();
