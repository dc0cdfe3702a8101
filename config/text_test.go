package config

import (
	"reflect"
	"testing"
)

func TestExampleIsTheDefaults(t *testing.T) {
	cfg, err := parse("c.toml", []byte(Example()), noHome)
	if err != nil {
		t.Fatal(err)
	}
	if len(cfg.Working) != 1 || cfg.Working[0].Name != "Shoots" {
		t.Errorf("got working folders %+v", cfg.Working)
	}
	cfg.Working = nil
	if !reflect.DeepEqual(cfg, Default()) {
		t.Errorf("got %+v, want %+v", cfg, Default())
	}
}

func TestEmptyTablesAreTheDefaults(t *testing.T) {
	cfg, err := parse("c.toml", []byte(nativeText(shoots+"[policy]\n[watch]\n[limits]\n")), noHome)
	if err != nil {
		t.Fatal(err)
	}
	cfg.Working = nil
	if !reflect.DeepEqual(cfg, Default()) {
		t.Errorf("got %+v, want %+v", cfg, Default())
	}
}

func TestTOMLSurvivesAnyText(t *testing.T) {
	cfg := Default()
	cfg.Watch.Ignore = []string{`**/a"b`, `**/\*`, `**/it's\[`, "**/\ttab", "**/ü", `**/\'"`}
	cfg.Working = []Working{{Folder: exampleFolder("linux"), Name: `Tern "Island" 'blue'`}}
	if got := exampleFolder("windows"); quote(got) != `'D:\Shoots'` {
		t.Errorf("got %s", quote(got))
	}
	again, err := parse("c.toml", []byte(nativeText(cfg.TOML())), noHome)
	if err != nil {
		t.Fatalf("%v in\n%s", err, cfg.TOML())
	}
	if !reflect.DeepEqual(again.Watch, cfg.Watch) || again.Working[0].Name != cfg.Working[0].Name {
		t.Errorf("got %+v", again)
	}
}

func TestSettingsHaveAField(t *testing.T) {
	cfg := Config{Working: make([]Working, 1)}
	seen := map[any]string{}
	for _, path := range settings {
		field := cfg.setting(path)
		if table, _ := splitPath(path); field == nil || table == "" {
			t.Errorf("%s has no field or no table", path)
		}
		if twin, ok := seen[field]; ok {
			t.Errorf("%s and %s share a field", path, twin)
		}
		seen[field] = path
	}
}
