package config

import (
	"testing"

	"fairbore/configs"
)

func TestDemoIsGood(t *testing.T) {
	if _, err := Parse("demo.yaml", configs.Demo); err != nil {
		t.Fatal(err)
	}
}
