"""The only place that formats numbers for people: text, JSON, charts, pages, sheets."""
