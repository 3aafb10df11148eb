"""The simulated bus, the drives on it and the mechanics behind them, written from the device's side."""
