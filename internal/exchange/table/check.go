package table

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// schema of a table as it is read; what the standard allows in several forms is any.
type schema struct {
	Fields      []field         `json:"fields"`
	FieldsMatch json.RawMessage `json:"fieldsMatch"`
	Missing     json.RawMessage `json:"missingValues"`
	Key         json.RawMessage `json:"primaryKey"`
	Unique      json.RawMessage `json:"uniqueKeys"`
	Foreign     []struct {
		Fields    json.RawMessage `json:"fields"`
		Reference struct {
			Resource string          `json:"resource"`
			Fields   json.RawMessage `json:"fields"`
		} `json:"reference"`
	} `json:"foreignKeys"`
}

type field struct {
	Name        string          `json:"name"`
	Type        string          `json:"type"`
	Format      string          `json:"format"`
	Missing     json.RawMessage `json:"missingValues"`
	True        []string        `json:"trueValues"`
	False       []string        `json:"falseValues"`
	Constraints struct {
		Required         bool              `json:"required"`
		Unique           bool              `json:"unique"`
		MinLength        *int              `json:"minLength"`
		MaxLength        *int              `json:"maxLength"`
		Minimum          json.RawMessage   `json:"minimum"`
		Maximum          json.RawMessage   `json:"maximum"`
		ExclusiveMinimum json.RawMessage   `json:"exclusiveMinimum"`
		ExclusiveMaximum json.RawMessage   `json:"exclusiveMaximum"`
		Pattern          string            `json:"pattern"`
		Enum             []json.RawMessage `json:"enum"`
	} `json:"constraints"`

	missing []string
	pattern *regexp.Regexp
}

const mostFaults = 200

// Check holds the tables of a package against its descriptor and lists what does not agree. Only tables that lie in the package
// are read: nothing is fetched.
func Check(files map[string][]byte) []Fault {
	c := &checker{files: files, rows: map[string]*read{}}
	c.run()
	return c.faults
}

type checker struct {
	files  map[string][]byte
	faults []Fault
	rows   map[string]*read
}

// read is a table that was read, for foreign keys.
type read struct {
	schema schema
	at     map[string]int
	rows   []Row
}

func (c *checker) fault(file string, line, field int, rule, format string, args ...any) {
	if len(c.faults) < mostFaults {
		c.faults = append(c.faults, Fault{file, line, field, rule, fmt.Sprintf(format, args...)})
	}
}

func (c *checker) run() {
	data, ok := c.files[Descriptor]
	if !ok {
		c.fault(Descriptor, 0, 0, "package", "the package has no file of this name")
		return
	}
	var doc struct {
		Resources []struct {
			Name   string          `json:"name"`
			Path   json.RawMessage `json:"path"`
			Data   json.RawMessage `json:"data"`
			Type   string          `json:"type"`
			Bytes  *int            `json:"bytes"`
			Hash   string          `json:"hash"`
			Schema json.RawMessage `json:"schema"`
		} `json:"resources"`
	}
	if err := json.Unmarshal(data, &doc); err != nil {
		c.fault(Descriptor, 0, 0, "json", "%v", err)
		return
	}
	if len(doc.Resources) == 0 {
		c.fault(Descriptor, 0, 0, "resources", "a package needs at least one resource")
	}
	names := map[string]bool{}
	for _, r := range doc.Resources {
		if r.Name == "" || names[r.Name] {
			c.fault(Descriptor, 0, 0, "name", "resource %q has no name of its own", r.Name)
		}
		names[r.Name] = true
		paths := texts(r.Path)
		if (len(paths) == 0) == (r.Data == nil) {
			c.fault(Descriptor, 0, 0, "path", "resource %s needs a path or data, one of the two", r.Name)
			continue
		}
		for _, path := range paths {
			content, there := c.files[path]
			if strings.HasPrefix(path, "/") || strings.Contains(path, "..") || strings.Contains(path, "://") || !there {
				c.fault(Descriptor, 0, 0, "path", "resource %s: %q is not a file in the package", r.Name, path)
				continue
			}
			if r.Bytes != nil && len(paths) == 1 && *r.Bytes != len(content) {
				c.fault(path, 0, 0, "bytes", "the file has %d bytes, the descriptor says %d", len(content), *r.Bytes)
			}
			if sum := sha256.Sum256(content); strings.HasPrefix(r.Hash, "sha256:") && len(paths) == 1 && r.Hash[7:] != hex.EncodeToString(sum[:]) {
				c.fault(path, 0, 0, "hash", "the file is not the one that the descriptor speaks of")
			}
			if r.Schema != nil && len(paths) == 1 {
				c.table(r.Name, path, content, r.Schema)
			}
		}
	}
	for name, t := range c.rows {
		c.foreign(name, t)
	}
}

// texts is a text or a list of texts.
func texts(raw json.RawMessage) (all []string) {
	var one string
	if json.Unmarshal(raw, &one) == nil && raw != nil {
		return []string{one}
	}
	if json.Unmarshal(raw, &all) == nil {
		return all
	}
	return nil
}

// missingOf reads missing values: texts, or objects with a value.
func missingOf(raw json.RawMessage, otherwise []string) []string {
	if raw == nil {
		return otherwise
	}
	var list []json.RawMessage
	if json.Unmarshal(raw, &list) != nil {
		return otherwise
	}
	all := []string{}
	for _, x := range list {
		var labelled struct{ Value string }
		var text string
		if json.Unmarshal(x, &text) == nil {
			all = append(all, text)
		} else if json.Unmarshal(x, &labelled) == nil {
			all = append(all, labelled.Value)
		}
	}
	return all
}

func (c *checker) table(name, path string, content []byte, raw json.RawMessage) {
	t := &read{at: map[string]int{}}
	if err := json.Unmarshal(raw, &t.schema); err != nil {
		c.fault(Descriptor, 0, 0, "schema", "%s: %v", name, err)
		return
	}
	rows, fault := ReadCSV(path, content)
	if fault != nil {
		c.faults = append(c.faults, *fault)
		return
	}
	if len(rows) == 0 {
		c.fault(path, 0, 0, "header", "the table has no first line with the column names")
		return
	}
	s := &t.schema
	all := missingOf(s.Missing, []string{""})
	for i := range s.Fields {
		f := &s.Fields[i]
		f.missing = missingOf(f.Missing, all)
		if f.Constraints.Pattern != "" {
			pattern, err := regexp.Compile("^(?:" + f.Constraints.Pattern + ")$")
			if err != nil {
				c.fault(Descriptor, 0, 0, "pattern", "%s.%s: %v", name, f.Name, err)
			}
			f.pattern = pattern
		}
	}
	if !c.header(path, s, rows[0].Cells) {
		return
	}
	for i, column := range rows[0].Cells {
		t.at[column] = i
	}
	t.rows = rows[1:]
	for i := range s.Fields {
		if at, ok := t.at[s.Fields[i].Name]; ok {
			c.column(path, &s.Fields[i], at, t.rows)
		}
	}
	if key := texts(s.Key); len(key) > 0 {
		c.unique(path, t, key, "primaryKey")
	}
	var uniques []json.RawMessage
	if json.Unmarshal(s.Unique, &uniques) == nil {
		for _, key := range uniques {
			c.unique(path, t, texts(key), "uniqueKeys")
		}
	}
	c.rows[name] = t
}

// header compares the columns with the fields, in the way the schema asks for.
func (c *checker) header(path string, s *schema, columns []string) bool {
	match := "exact"
	if m := texts(s.FieldsMatch); len(m) > 0 {
		match = m[0]
	}
	var want []string
	for _, f := range s.Fields {
		want = append(want, f.Name)
	}
	if match == "exact" && !slices.Equal(want, columns) {
		a, b := slices.Sorted(slices.Values(want)), slices.Sorted(slices.Values(columns))
		if slices.Equal(a, b) {
			c.fault(path, 1, 1, "fieldOrder", "the columns stand in another order than the fields")
		} else {
			c.fault(path, 1, 1, "fields", "the columns are not the fields: %s; %s", strings.Join(columns, ", "), strings.Join(want, ", "))
		}
		return false
	}
	inTable, inSchema, common := true, true, false
	for _, w := range want {
		there := slices.Contains(columns, w)
		inTable, common = inTable && there, common || there
	}
	for _, col := range columns {
		inSchema = inSchema && slices.Contains(want, col)
	}
	ok := map[string]bool{"exact": true, "equal": inTable && inSchema, "subset": inTable, "superset": inSchema, "partial": common}[match]
	if !ok {
		c.fault(path, 1, 1, "fields", "the columns do not match the fields (%s)", match)
	}
	return ok
}

func (c *checker) column(path string, f *field, at int, rows []Row) {
	seen := map[string]bool{}
	low, high := bound(f.Constraints.Minimum), bound(f.Constraints.Maximum)
	above, below := bound(f.Constraints.ExclusiveMinimum), bound(f.Constraints.ExclusiveMaximum)
	var enum []string
	for _, raw := range f.Constraints.Enum {
		enum = append(enum, bound(raw))
	}
	for _, row := range rows {
		cell := row.Cells[at]
		say := func(rule, format string, args ...any) {
			c.fault(path, row.Line, at+1, rule, f.Name+": "+format, args...)
		}
		if slices.Contains(f.missing, cell) {
			if f.Constraints.Required {
				say("required", "a value is missing")
			}
			continue
		}
		if !f.takes(cell) {
			say(f.Type, "%q is no %s", cell, f.Type)
			continue
		}
		switch n := utf8.RuneCountInString(cell); {
		case low != "" && f.less(cell, low):
			say("minimum", "%s is below %s", cell, low)
		case high != "" && f.less(high, cell):
			say("maximum", "%s is above %s", cell, high)
		case above != "" && !f.less(above, cell):
			say("exclusiveMinimum", "%s is not above %s", cell, above)
		case below != "" && !f.less(cell, below):
			say("exclusiveMaximum", "%s is not below %s", cell, below)
		case f.Constraints.MinLength != nil && n < *f.Constraints.MinLength:
			say("minLength", "%q is too short", cell)
		case f.Constraints.MaxLength != nil && n > *f.Constraints.MaxLength:
			say("maxLength", "%q is too long", cell)
		case f.pattern != nil && !f.pattern.MatchString(cell):
			say("pattern", "%q does not match %s", cell, f.Constraints.Pattern)
		case len(enum) > 0 && !slices.ContainsFunc(enum, func(e string) bool { return e == cell || f.number() && !f.less(e, cell) && !f.less(cell, e) }):
			say("enum", "%q is not one of %s", cell, strings.Join(enum, ", "))
		case f.Constraints.Unique && seen[cell]:
			say("unique", "%q stands twice", cell)
		}
		seen[cell] = true
	}
}

// bound is a limit as text, whether it is written as number or as text.
func bound(raw json.RawMessage) string {
	var text string
	if json.Unmarshal(raw, &text) == nil && raw != nil {
		return text
	}
	return string(raw)
}

func (f *field) number() bool { return f.Type == "number" || f.Type == "integer" || f.Type == "year" }

// less compares as numbers where they are, else as texts: dates and times of ISO 8601 sort as they stand.
func (f *field) less(a, b string) bool {
	if f.number() {
		x, err := strconv.ParseFloat(a, 64)
		y, err2 := strconv.ParseFloat(b, 64)
		return err == nil && err2 == nil && x < y
	}
	return a < b
}

var (
	numberText  = regexp.MustCompile(`^([+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?|NaN|INF|-INF)$`)
	integerText = regexp.MustCompile(`^[+-]?[0-9]+$`)
	yearText    = regexp.MustCompile(`^-?[0-9]{4,}$`)
	monthText   = regexp.MustCompile(`^[0-9]{4}-(0[1-9]|1[0-2])$`)
	lengthText  = regexp.MustCompile(`^-?P(\d+Y)?(\d+M)?(\d+W)?(\d+D)?(T(\d+H)?(\d+M)?(\d+(\.\d+)?S)?)?$`)
)

// takes reports whether a cell is of the field's type.
func (f *field) takes(cell string) bool {
	day := func(layout string) bool { _, err := time.Parse(layout, cell); return err == nil }
	switch f.Type {
	case "number":
		return numberText.MatchString(cell)
	case "integer":
		return integerText.MatchString(cell)
	case "boolean":
		yes, no := f.True, f.False
		if yes == nil {
			yes = []string{"true", "True", "TRUE", "1"}
		}
		if no == nil {
			no = []string{"false", "False", "FALSE", "0"}
		}
		return slices.Contains(yes, cell) || slices.Contains(no, cell)
	case "date":
		return f.Format != "" && f.Format != "default" || day(time.DateOnly)
	case "datetime":
		return f.Format != "" && f.Format != "default" || day(time.RFC3339) || day("2006-01-02T15:04:05")
	case "time":
		return f.Format != "" && f.Format != "default" || day(time.TimeOnly)
	case "year":
		return yearText.MatchString(cell)
	case "yearmonth":
		return monthText.MatchString(cell)
	case "duration":
		return lengthText.MatchString(cell) && !strings.HasSuffix(cell, "P") && !strings.HasSuffix(cell, "T")
	case "object":
		var o map[string]any
		return json.Unmarshal([]byte(cell), &o) == nil
	case "array":
		var a []any
		return json.Unmarshal([]byte(cell), &a) == nil
	}
	return true
}

func (c *checker) unique(path string, t *read, key []string, rule string) {
	seen := map[string]int{}
	for _, k := range key {
		if _, ok := t.at[k]; !ok {
			c.fault(Descriptor, 0, 0, rule, "%s: there is no column %s", path, k)
			return
		}
	}
	for _, row := range t.rows {
		text := t.key(row, key)
		if first, twice := seen[text]; twice {
			c.fault(path, row.Line, t.at[key[0]]+1, rule, "the same %s as in line %d", strings.Join(key, ", "), first)
			continue
		}
		seen[text] = row.Line
		for _, k := range key {
			if rule == "primaryKey" && row.Cells[t.at[k]] == "" {
				c.fault(path, row.Line, t.at[k]+1, rule, "%s is empty", k)
			}
		}
	}
}

func (t *read) key(row Row, key []string) string {
	var parts []string
	for _, k := range key {
		parts = append(parts, row.Cells[t.at[k]])
	}
	return strings.Join(parts, "\x00")
}

func (c *checker) foreign(name string, t *read) {
	for _, f := range t.schema.Foreign {
		to := c.rows[f.Reference.Resource]
		if f.Reference.Resource == "" {
			to = t
		}
		from, into := texts(f.Fields), texts(f.Reference.Fields)
		if to == nil || len(from) == 0 || len(from) != len(into) {
			c.fault(Descriptor, 0, 0, "foreignKeys", "%s: it refers to nothing that can be read", name)
			continue
		}
		ok := true
		for i := range from {
			_, a := t.at[from[i]]
			_, b := to.at[into[i]]
			ok = ok && a && b
		}
		if !ok {
			c.fault(Descriptor, 0, 0, "foreignKeys", "%s: a column is missing", name)
			continue
		}
		have := map[string]bool{}
		for _, row := range to.rows {
			have[to.key(row, into)] = true
		}
		for _, row := range t.rows {
			if k := t.key(row, from); strings.Trim(k, "\x00") != "" && !have[k] {
				c.fault(name+".csv", row.Line, t.at[from[0]]+1, "foreignKeys", "%q is not in %s", strings.ReplaceAll(k, "\x00", ", "), f.Reference.Resource)
			}
		}
	}
}
