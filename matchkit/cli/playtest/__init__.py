"""Commands about playtests and what is learned from them."""
