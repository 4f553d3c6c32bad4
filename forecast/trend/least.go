package trend

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// ErrCollinear says that columns nearly follow from one another, so that no
// coefficient can be told: leave one out (a dummy for each weekday beside a
// constant, say), or take deviations from a mean.
var ErrCollinear = errors.New("trend: regressors depend on one another")

// MaxCondition is the condition number, of columns scaled to length one, above
// which [Linear] refuses: beyond it fewer than six of a float's sixteen digits
// remain (common practice).
const MaxCondition = 1e10

// Plane is a least-squares fit with several regressors. Its standard errors are
// the textbook's, which hold for independent residuals only.
type Plane struct {
	B, SE      []float64 // by column, in the order given
	ResidualSD float64   // of an observation of weight 1
	// R2 is the explained part of the variance about the (weighted) mean, or,
	// where no column is constant, of the squares about 0; 0 where y has none.
	R2        float64
	N         int
	Condition float64 // of the scaled columns

	inverse *mat.SymDense // (X'WX)^-1
}

// Linear fits y = sum over j of B[j] columns[j] by least squares with weights
// (nil for equal ones; a weight is one over a variance, up to a factor), by QR
// of the scaled columns (Golub and Van Loan, Matrix computations, 2013). A
// constant is a column of ones.
//
// It fails with [ErrTooFew] where observations do not outnumber columns, and
// with [ErrCollinear]. gonum's own solver answers there without an error.
func Linear(columns [][]float64, y, weights []float64) (Plane, error) {
	n, p := len(y), len(columns)
	if p == 0 || n <= p || !finite(y) || weights != nil && (len(weights) != n || !finite(weights)) {
		return Plane{}, ErrTooFew
	}
	root := make([]float64, n)
	used := 0
	for i := range root {
		root[i] = 1
		if weights != nil {
			if weights[i] < 0 {
				return Plane{}, fmt.Errorf("trend: weight %d is %g, below 0", i, weights[i])
			}
			root[i] = math.Sqrt(weights[i])
		}
		if root[i] > 0 {
			used++
		}
	}
	if used <= p {
		return Plane{}, ErrTooFew
	}
	x, scale, constant := mat.NewDense(n, p, nil), make([]float64, p), false
	for j, c := range columns {
		if len(c) != n || !finite(c) {
			return Plane{}, ErrTooFew
		}
		same := true
		for i, v := range c {
			same = same && v == c[0]
			scale[j] = math.Hypot(scale[j], root[i]*v)
		}
		if !(scale[j] > 0) || math.IsInf(scale[j], 1) {
			return Plane{}, ErrTooFew
		}
		constant = constant || same
		for i, v := range c {
			x.Set(i, j, root[i]*v/scale[j])
		}
	}
	var qr mat.QR
	qr.Factorize(x)
	f := Plane{N: used, Condition: qr.Cond()}
	if !(f.Condition <= MaxCondition) {
		return Plane{}, fmt.Errorf("%w: condition number %.2g of %d columns", ErrCollinear, f.Condition, p)
	}
	right, b := mat.NewVecDense(n, nil), mat.NewVecDense(p, nil)
	for i := range y {
		right.SetVec(i, root[i]*y[i])
	}
	if err := qr.SolveVecTo(b, false, right); err != nil {
		return Plane{}, fmt.Errorf("solve for %d coefficients: %w", p, err)
	}
	if f.inverse = invert(&qr, scale); f.inverse == nil {
		return Plane{}, fmt.Errorf("%w: no standard errors for %d columns", ErrCollinear, p)
	}
	for j := range p {
		f.B = append(f.B, b.AtVec(j)/scale[j])
	}
	f.scatter(columns, y, root, constant)
	return f, nil
}

// invert gives (X'WX)^-1 from the triangle of the scaled columns.
func invert(qr *mat.QR, scale []float64) *mat.SymDense {
	p := len(scale)
	var r, back mat.Dense
	qr.RTo(&r)
	ones := mat.NewDiagDense(p, nil)
	for j := range p {
		ones.SetDiag(j, 1)
	}
	if err := back.Solve(r.Slice(0, p, 0, p), ones); err != nil {
		return nil
	}
	out := mat.NewSymDense(p, nil)
	for j := range p {
		for k := j; k < p; k++ {
			sum := 0.0
			for l := range p {
				sum += back.At(j, l) * back.At(k, l)
			}
			out.SetSym(j, k, sum/(scale[j]*scale[k]))
		}
	}
	return out
}

// scatter fills in what follows from the residuals.
func (f *Plane) scatter(columns [][]float64, y, root []float64, constant bool) {
	mean, total := 0.0, 0.0
	if constant {
		for i := range y {
			mean += root[i] * root[i] * y[i]
			total += root[i] * root[i]
		}
		mean /= total
	}
	var rss, about float64
	for i := range y {
		e := root[i] * f.residual(columns, y, i)
		d := root[i] * (y[i] - mean)
		rss += e * e
		about += d * d
	}
	f.ResidualSD = math.Sqrt(rss / float64(f.N-len(columns)))
	if about > 0 {
		f.R2 = 1 - rss/about
	}
	for j := range columns {
		f.SE = append(f.SE, f.ResidualSD*math.Sqrt(f.inverse.At(j, j)))
	}
}

func (f *Plane) residual(columns [][]float64, y []float64, i int) float64 {
	e := y[i]
	for j, c := range columns {
		e -= f.B[j] * c[i]
	}
	return e
}

// blockErrors are standard errors of all coefficients when days are alike their
// neighbours: correlation within a block of successive days is in its sum, and
// blocks are nearly independent of one another. They are the jackknife's, each
// block left out once, which with few blocks holds better than the plain sums
// (Bell and McCaffrey, Bias reduction in standard errors for linear regression
// with multi-stage samples, 2002); intervals take Student's t with the blocks
// less one (Ibragimov and Mueller, t-Statistic Based Correlation and
// Heterogeneity Robust Inference, 2010, for the principle). columns and y are
// those of the fit, with equal weights. nil where one block alone carries a
// coefficient.
func (f *Plane) blockErrors(columns [][]float64, y []float64) (se []float64, df float64) {
	n, p := len(y), len(columns)
	blocks := blocksFor(n)
	square := make([]float64, p) // of the shifts of each coefficient
	for k := range blocks {
		sum, rest := mat.NewVecDense(p, nil), mat.NewDense(p, p, nil)
		for i := k * n / blocks; i < (k+1)*n/blocks; i++ {
			e := f.residual(columns, y, i)
			for j, c := range columns {
				sum.SetVec(j, sum.AtVec(j)+c[i]*e)
				for l, d := range columns {
					rest.Set(j, l, rest.At(j, l)-c[i]*d[i])
				}
			}
		}
		// Left out, the block shifts the coefficients by A (I - M A)^-1 s with
		// A = (X'X)^-1 and M, s the block's part of X'X and X'e.
		var part mat.Dense
		part.Mul(rest, f.inverse)
		for j := range p {
			part.Set(j, j, part.At(j, j)+1)
		}
		var lifted, shift mat.VecDense
		if err := lifted.SolveVec(&part, sum); err != nil {
			return nil, 0
		}
		shift.MulVec(f.inverse, &lifted)
		for j := range p {
			square[j] += shift.AtVec(j) * shift.AtVec(j)
		}
	}
	for j := range p {
		se = append(se, math.Sqrt(square[j]*float64(blocks-1)/float64(blocks)))
	}
	return se, float64(blocks - 1)
}
