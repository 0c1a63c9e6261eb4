"""Makes line-correlated.csv and line-correlated.toml: a straight line through points with correlated errors.

Invented data: a meter of 35 ppm of reading and 5 ppm of a 10 V range (half-widths) reads seventeen levels from -4 V with a little
scatter. Needs Python with numpy and scipy; run in this folder: python line-correlated.py
"""
import numpy as np, scipy, scipy.linalg, sys

rng = np.random.default_rng(20260115)
x = np.round(np.linspace(-4.0, 10.0, 17), 6)   # not symmetric: the covariance is not zero
reading = 35e-6 * x / np.sqrt(3.0)                # one standard deviation of the meter's gain, at every point
floor = np.full(17, 50e-6 / np.sqrt(3.0))         # ... of its zero
scatter = np.round(20e-6 + 2e-6 * np.abs(x), 9)   # independent, point by point
y = np.round(0.0031 + 1.00042 * x + rng.normal(0.0, scatter), 7)
table = np.column_stack([x, y, scatter, reading, floor])
np.savetxt("line-correlated.csv", table, delimiter=",", fmt="%.17g", comments="",
           header="x_V,y_V,scatter_V,common_reading_V,common_floor_V")
# Exactly what the file holds.
x, y, scatter, reading, floor = np.loadtxt("line-correlated.csv", delimiter=",", skiprows=1).T
v = np.diag(scatter**2) + np.outer(reading, reading) + np.outer(floor, floor)
design = np.column_stack([np.ones_like(x), x])
b, *_ = np.linalg.lstsq(design, y, rcond=None)
a = np.linalg.pinv(design)
c = a @ v @ a.T
# Generalised least squares: whiten by the Cholesky factor.
low = scipy.linalg.cholesky(v, lower=True)
wd = scipy.linalg.solve_triangular(low, design, lower=True)
wy = scipy.linalg.solve_triangular(low, y, lower=True)
g, *_ = scipy.linalg.lstsq(wd, wy)
gc = scipy.linalg.inv(wd.T @ wd)
with open("line-correlated.toml", "w") as f:
    f.write("# A straight line through points with correlated errors. Made by line-correlated.py; invented data.\n")
    f.write(f'made_with = "Python {sys.version.split()[0]}, numpy {np.__version__}, scipy {scipy.__version__}"\n')
    f.write('status = "recomputed"\n\n[numpy]   # lstsq for the line, pinv(X) V pinv(X)^T for the covariance\n')
    for name, value in [("intercept", b[0]), ("slope", b[1]), ("intercept_uncertainty", np.sqrt(c[0, 0])),
                        ("slope_uncertainty", np.sqrt(c[1, 1])), ("covariance", c[0, 1]),
                        ("correlation", c[0, 1] / np.sqrt(c[0, 0] * c[1, 1]))]:
        f.write(f'{name} = "{value:.17g}"\n')
    f.write('\n[scipy_generalised]   # weighted by the inverse of V\n')
    for name, value in [("intercept", g[0]), ("slope", g[1]), ("intercept_uncertainty", np.sqrt(gc[0, 0])),
                        ("slope_uncertainty", np.sqrt(gc[1, 1]))]:
        f.write(f'{name} = "{value:.17g}"\n')
