"""Physical constants: value, unit in the name, source beside it."""

from typing import Final

SOLAR_IRRADIANCE_1AU_W_M2: Final = 1361.0
"""Nominal total solar irradiance at 1 au. IAU 2015 Resolution B3 (value from memory of the resolution;
agrees with its nominal luminosity, 3.828e26 W over 4 pi (1 au)^2)."""

SOLAR_RADIUS_KM: Final = 695_700.0
"""Nominal solar radius, exact. IAU 2015 Resolution B3."""

SOLAR_TEMPERATURE_K: Final = 5772.0
"""Nominal effective temperature of the Sun. IAU 2015 Resolution B3."""

AU_KM: Final = 149_597_870.7
"""Astronomical unit, exact. IAU 2012 Resolution B2."""

SPEED_OF_LIGHT_KM_S: Final = 299_792.458
"""Exact by the definition of the metre."""

STEFAN_BOLTZMANN_W_M2_K4: Final = 5.670374419e-8
"""CODATA 2018, exact digits truncated."""

PLANCK_J_S: Final = 6.62607015e-34
"""Exact by the definition of the kilogram (SI 2019)."""

BOLTZMANN_J_K: Final = 1.380649e-23
"""Exact by the definition of the kelvin (SI 2019)."""

FACE_FLUX_LIMIT_W_CM2: Final = 100.0
"""On a fibre's face, where no prescription states another limit: our choice."""

SECONDS_PER_DAY: Final = 86_400.0
SECONDS_PER_HOUR: Final = 3_600.0
HOURS_PER_DAY: Final = 24.0
DAYS_PER_YEAR: Final = 365.25
"""Julian year: of fibre darkening rates, and of annual figures on the Moon and the Earth (elsewhere: `base.year`)."""

J2000_JD: Final = 2_451_545.0
DAYS_PER_CENTURY: Final = 36_525.0
