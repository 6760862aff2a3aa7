"""Things held side by side: reeds on a mouthpiece, a part for another, two set-ups, a mouthpiece and itself changed."""
