#!/usr/bin/env python3
"""The joint problem of readings and coat cells, solved by a general interior-point solver (Clarabel): an oracle and a yardstick.

    pip install numpy scipy clarabel
    LOWSPOT_JOINT_PROBLEM=problem.json cargo test --test tests joint::the_joint_problem_is_written -- --ignored
    python3 joint_reference.py problem.json

Minimises, over all unknowns x of one fit at fixed numbers,

    (x'Mx/2 - r'x + q/2)/sigma^2 + sum_k w_k (log(1 + exp(u_k)) - f_k u_k),    u = (-t - Cx)/s,

with M, r, q, C, w, f, t, s as the program writes them. log(1 + exp(u)) <= v is two exponential cones. The file is made up, not measured.
Prints the objective of both, how far apart they are, and both times.
"""
import json
import sys
import time

import clarabel
import numpy as np
from scipy import sparse


def load(path):
    with open(path) as f:
        p = json.load(f)
    n = p["unknowns"]
    i, j, v = (np.array(a) for a in p["matrix"])
    lower = sparse.csc_matrix((v, (i, j)), shape=(n, n))
    p["M"] = lower + sparse.tril(lower, -1).T
    i, j, v = (np.array(a) for a in p["looks"])
    p["C"] = sparse.csr_matrix((v, (i, j)), shape=(len(p["share"]), n))
    for key in ("right", "share", "weight"):
        p[key] = np.array(p[key])
    return p


def objective(p, x):
    u = (-p["level"] - p["C"] @ x) / p["softness"]
    fit = (x @ (p["M"] @ x) / 2 - p["right"] @ x + p["square"] / 2) / p["sigma"] ** 2
    return fit + p["weight"] @ (np.logaddexp(0, u) - p["share"] * u)


def solve(p):
    """x, and for every look v >= log(1 + e^u), a >= e^(u - v), b >= e^(-v), a + b <= 1."""
    n, m = p["unknowns"], len(p["share"])
    s2, soft, w, f = p["sigma"] ** 2, p["softness"], p["weight"], p["share"]
    C, eye = p["C"], sparse.eye(m, format="csr")
    zero = sparse.csr_matrix((m, m))
    P = sparse.block_diag([p["M"] / s2, sparse.csc_matrix((3 * m, 3 * m))], format="csc")
    # u = -(t + Cx)/s, so -w f u adds w f C x / s.
    q = np.concatenate([-p["right"] / s2 + C.T @ (w * f) / soft, w, np.zeros(2 * m)])
    # a + b <= 1
    A = [sparse.hstack([sparse.csr_matrix((m, n)), zero, eye, eye])]
    b = [np.ones(m)]
    # Exponential cone of Clarabel: y exp(x/y) <= z, rows (x, y, z) in turn; slack = b - A x.
    u_v = sparse.hstack([C / soft, eye, zero, zero])  # x = u - v
    v_ = sparse.hstack([sparse.csr_matrix((m, n)), eye, zero, zero])  # x = -v
    one = sparse.csr_matrix((m, n + 3 * m))
    a_ = sparse.hstack([sparse.csr_matrix((m, n)), zero, -eye, zero])
    b_ = sparse.hstack([sparse.csr_matrix((m, n)), zero, zero, -eye])
    order = np.arange(3 * m).reshape(3, m).T.ravel()
    for rows, first in (((u_v, one, a_), -p["level"] / soft), ((v_, one, b_), 0.0)):
        A.append(sparse.vstack(rows).tocsr()[order])
        b.append(np.concatenate([np.full(m, first), np.ones(m), np.zeros(m)])[order])
    cones = [clarabel.NonnegativeConeT(m)] + [clarabel.ExponentialConeT()] * (2 * m)
    settings = clarabel.DefaultSettings()
    settings.verbose = False
    solver = clarabel.DefaultSolver(sparse.triu(P).tocsc(), q, sparse.vstack(A).tocsc(), np.concatenate(b), cones, settings)
    start = time.perf_counter()
    found = solver.solve()
    return np.array(found.x[:n]), time.perf_counter() - start, str(found.status)


def main():
    p = load(sys.argv[1])
    x, seconds, status = solve(p)
    ours, theirs = p["objective"], objective(p, x)
    print(f"program {ours:.6f} in {p['seconds']:.3f} s; interior point {theirs:.6f} in {seconds:.3f} s ({status})")
    print(f"objective differs by {abs(ours - theirs) / abs(theirs):.2e}; {seconds / p['seconds']:.1f} times as long")
    own = objective(p, np.array(p["solution"]))
    print(f"program's solution in this script: {own:.6f}; largest difference of an unknown's look {np.abs(p['C'] @ (x - np.array(p['solution']))).max():.2e} mm")


if __name__ == "__main__":
    main()
