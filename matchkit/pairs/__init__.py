"""Every facing with every reed that is asked about: contact solved once, and one owner for what it says."""
