"""The whole system at one place: units by facing and a store that serve a load, the lightest of them, and a proof."""
