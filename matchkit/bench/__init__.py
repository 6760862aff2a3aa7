"""The maker's side: how well a facing is known, whether a batch meets its drawing and the house reeds, what to take off where."""
