"""From checked records to ranked set-ups: parts, closing, terms, neighbours, blend, order, reasons."""
