"""The 2004 edition of API MPMS 11.1 / ASTM D1250, temperature part, written for checking only.

It works on the IPTS-68 scale and a base of 60.0068749 °F. K sets and constants as in section 11.1.6.1, read in the
public implementation m2b/API11_1VCF.
"""

import math

A_ITS90 = (-0.148759, -0.267408, 1.080760, 1.269056, -4.089591, -1.871251, 7.438081, -3.536296)
DELTA_60 = 0.01374979547
BASE_F = 60.0068749
WATER_KG_M3 = 999.016
K = {
    "crude": (341.0957, 0.0, 0.0),
    "fuel oil": (103.8720, 0.2701, 0.0),
    "jet": (330.3010, 0.0, 0.0),
    "transition": (1489.0670, 0.0, -0.00186840),
    "gasoline": (192.4571, 0.2438, 0.0),
    "lubricating oil": (0.0, 0.34878, 0.0),
}


def on_1968_scale_f(temp_f):
    tau = (temp_f - 32.0) / 1.8 / 630.0
    shift = 0.0
    for a in reversed(A_ITS90):
        shift = (shift + a) * tau
    return 1.8 * ((temp_f - 32.0) / 1.8 - shift) + 32.0


def ctl(group, temp_f, rho60):
    """(shifted temperature °F, shifted density kg/m³, alpha60 per °F, CTL), unrounded."""
    k0, k1, k2 = K[group]
    t = on_1968_scale_f(temp_f)
    a = DELTA_60 / 2.0 * ((k0 / rho60 + k1) / rho60 + k2)
    b = (2.0 * k0 + k1 * rho60) / (k0 + (k1 + k2 * rho60) * rho60)
    rho = rho60 * (1.0 + (math.exp(a * (1.0 + 0.8 * a)) - 1.0) / (1.0 + a * (1.0 + 1.6 * a) * b))
    alpha = (k0 / rho + k1) / rho + k2
    dt = t - BASE_F
    return t, rho, alpha, math.exp(-alpha * dt * (1.0 + 0.8 * alpha * (dt + DELTA_60)))
