"""The run's light by direction and in time, and the energy of any facing."""
