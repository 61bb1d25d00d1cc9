/* Signals that follow an input sample by sample: plain declarations, compiled by the C compiler and read verbatim by cffi. */

/* A linear system of two states, s' = A s + B x, y = C s + D x, from rest. x: n rows of `inputs` numbers. Part k ends at
   ends[k]; its row of numbers is: how far a coefficient can be from the exact one, then a high and a low half of each of
   a11 a12 a21 a22 c1 c2 and, for each input, b1 b2 d. wanted: y; bound: how far it can be from the exact one. */
void pf_follow_linear(const double *x, int64_t inputs, const int64_t *ends, const double *numbers, int64_t parts,
                      double *wanted, double *bound);
