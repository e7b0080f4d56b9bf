"""Words everybody uses: vocabulary, units, predictive draws, errors. Standard library and numpy only."""
