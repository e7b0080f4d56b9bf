"""The shop's book: settings and the only module that speaks SQL."""
