"""The screens about playtests: what they show, what to plan, what to play next, and what was learned."""
