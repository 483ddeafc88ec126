package study

import (
	"math/rand/v2"
	"testing"
)

func noise(n int) []float64 {
	rng := rand.New(rand.NewPCG(1, 1))
	x := make([]float64, n)
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	return x
}

func BenchmarkChartConstants25(b *testing.B) {
	for b.Loop() {
		if _, err := ChartConstants(25); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkByANOVA(b *testing.B) {
	t := msa(b)
	for b.Loop() {
		if _, err := ByANOVA(t, 2.54, PoolAbove); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkAverageAndRange(b *testing.B) {
	t := msa(b)
	for b.Loop() {
		if _, err := AverageAndRange(t, 2.54); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkCapability1000(b *testing.B) {
	x := noise(1000)
	for b.Loop() {
		if _, err := Capability(x, Spec{Low: -4, High: 4}, 0.95); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkXbarR200x5(b *testing.B) {
	x := noise(1000)
	var groups [][]float64
	for i := 0; i < len(x); i += 5 {
		groups = append(groups, x[i:i+5])
	}
	for b.Loop() {
		if _, err := XbarR(groups); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkOneSidedFactor(b *testing.B) {
	for b.Loop() {
		OneSidedFactor(300, 0.9999, 0.99)
	}
}
