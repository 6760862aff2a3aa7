"""Commands of the maker: facings, batches, refacing, gauges."""
