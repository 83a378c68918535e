"""Physical constants and reference conditions, each with its unit and source."""

# Molar gas constant, J/(mol K). CODATA 2018 (exact since the SI of 2019).
GAS_CONSTANT_J_MOL_K = 8.314462618

# Molar mass of water, g/mol. IAPWS R6-95 and G5-01.
WATER_MOLAR_MASS_G_MOL = 18.015268

# Reference condition of volume-based readings in breathing air: 20 degC and 1013.25 hPa.
# Source: EN 12021, as taken up in the project's design; 1013.25 hPa is the standard atmosphere (ISO 2533).
REFERENCE_TEMPERATURE_K = 293.15
REFERENCE_PRESSURE_PA = 101325.0

# Atmospheric pressure taken where none was measured, hPa. Standard atmosphere, ISO 2533.
STANDARD_ATMOSPHERE_HPA = 1013.25

PA_PER_BAR = 1.0e5
PA_PER_HPA = 1.0e2
ZERO_CELSIUS_K = 273.15  # 0 degC in K, exact by definition of the degree Celsius

# Triple point of water. IAPWS R14-08(2011) and R6-95.
TRIPLE_POINT_K = 273.16
TRIPLE_POINT_C = 0.01
TRIPLE_POINT_PA = 611.657

# Critical point of water: temperature (K), density (kg/m3), pressure (Pa). IAPWS R2-83(1992).
WATER_CRITICAL_TEMPERATURE_K = 647.096
WATER_CRITICAL_DENSITY_KG_M3 = 322.0
WATER_CRITICAL_PRESSURE_PA = 22.064e6

# Reducing temperature (K) and density (mol/m3) of dry air. Lemmon, Jacobsen, Penoncello and Friend 2000,
# J. Phys. Chem. Ref. Data 29, 331.
AIR_REDUCING_TEMPERATURE_K = 132.6312
AIR_REDUCING_DENSITY_MOL_M3 = 10447.7

# Mole fractions of the gases of dry air that dissolve in water, for the Henry constant of air.
# ASHRAE RP-1485 (Herrmann, Kretzschmar and Gatley 2009), rounded as used there.
DRY_AIR_MOLE_FRACTIONS = {"N2": 0.7812, "O2": 0.2095, "Ar": 0.0093}
