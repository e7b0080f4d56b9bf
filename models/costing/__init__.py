"""Statistics of cost: time beside the nozzle, customers alike, part-done jobs, price lists, what a machine earns."""
