"""What a player aims at, and how near each pair of mouthpiece and reed comes to it by what was measured."""
