"""Words for what is printed or sent: headings of pages, a customer's sheet, cards beside mouthpieces."""
