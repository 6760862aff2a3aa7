"""Records made physical: the lay of a mouthpiece, the shape and stiffness of a reed, what fits, and what was assumed."""
