"""Tolerances of the tests of the numerical core, each with the error that was measured and the margin taken.

Relative errors are norms of differences over norms unless another meaning is given. Measured on two x86-64
cores with NumPy 2.4, SciPy 1.17 and JAX 0.10; the margins are for other machines, libraries and cards, whose
rounding differs.
"""

# --- transforms and shifts: rounding of the precision ---------------------------------------------------------
TRANSFORM_C128 = 1e-13  # measured 3.2e-15, margin 30
TRANSFORM_C64 = 2e-6  # measured 1.0e-7, margin 20
PARSEVAL = 1e-13  # power ratio minus one; measured 8.9e-16, margin 100
SHIFT_C128 = 1e-10  # analytic beam; measured 1.2e-15: the limit is the one that the model has to meet
SHIFT_C64 = 4e-6  # measured 1.8e-7, margin 20

# --- frame pass -------------------------------------------------------------------------------------------------
PASS_C128 = 1e-11  # against plain loops; measured 4.4e-14 (a whole PIE sweep, which piles up), margin 200
PASS_C64 = 1e-5  # measured 4.4e-7, margin 20: what a card has to meet against the processor
GRADIENT = 1e-10  # against JAX in complex128; measured 1.1e-15: the limit is the one asked of gradients
CENTRAL_DIFFERENCE = 2e-8  # truncation and rounding of the difference; measured 4.9e-10, margin 40
ADJOINT = 1e-11  # <Ax, y> against <x, A'y>; measured below 1e-14
CARD_PASS = 1e-5  # object after one pass in complex64, card against processor: what the documentation promises

# --- metrics ----------------------------------------------------------------------------------------------------
EXACT_SUM = 1e-12  # same sums in another order; measured 4.9e-15, margin 200
DEVIANCE_C64 = 4e-3  # single precision at 1e6 counts a pixel; measured 2.3e-4, margin 15
EXPECTED_DEVIANCE = 1e-3  # interpolation in the table; measured 5.0e-4, margin 2 (deterministic)

# --- probe ------------------------------------------------------------------------------------------------------
PUPIL_RIM = 2e-4  # 1 - overlap of two ways to fill the rim's pixels; measured 4.0e-5, margin 5
RAYLEIGH = 5e-3  # width of the focus on a pupil 46 pixels in radius; measured 1.4e-3, margin 4
PARAXIAL = 1e-3  # exact propagation against paraxial formulas; measured 2.5e-4, margin 4
ORTHOGONAL = 1e-12  # measured 6.9e-16
DEFOCUS = 0.3  # found from the frames; measured 0.10 in the tested cases (all cases tried: rms 0.09), margin 3
PROBE_MISMATCH = 0.2  # 1 - overlap with the true wave; measured 0.127, of which its unknown aberrations are 0.104

# --- solvers ----------------------------------------------------------------------------------------------------
FIXED_POINT = 1e-12  # three passes from the truth; measured 4.3e-15, margin 200
OPTIMUM_EPIE = 0.2  # loss above the least after 300 passes; measured 0.094, margin 2 (dim pixels are slow)
OPTIMUM_RPIE = 0.05  # measured 0.020, margin 2.5
NO_FLOOR = 4e-3  # 150 passes, probe known; measured 0.0018 at most (rPIE 0.0010 in small batches), still falling
SOLVED = 1e-2  # measured 0.0053, 0.0061, 0.0068 after 80 (ePIE), 90 (rPIE) and 70 (difference map) passes
