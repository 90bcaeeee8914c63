"""Published sizes and the formulas behind them."""
