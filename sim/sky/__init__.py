"""Where the satellites are and what the dish hears of them; pure functions, no clock."""
