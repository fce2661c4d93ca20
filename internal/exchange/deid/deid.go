// Package deid takes out of study data what names a person, by the rule of the United States called Safe Harbor (45 CFR
// 164.514(b)(2)): dates become years, ages over 89 are pooled, a postal code keeps three digits, numbers of devices and free
// text go. The code of a person is drawn by chance and kept apart: it is never made from name, birth date or record number.
//
// Study days and shifted dates keep intervals. They are useful and are not Safe Harbor: whether they still hide a person is for
// an expert to determine. Whoever releases data must also know of nothing else in it that identifies.
package deid

import (
	"fmt"
	"strings"
	"time"
)

// PooledAge is the age from which years are no longer told, and Pooled what stands there.
const (
	PooledAge = 90
	Pooled    = "90+"
)

// Age is the years completed on a day, pooled from 90 on; then the year of birth goes too.
func Age(birth, on string) (age string, birthYear int, err error) {
	b, err := time.Parse(time.DateOnly, birth)
	if err != nil {
		return "", 0, fmt.Errorf("%q is not a date written year-month-day", birth)
	}
	d, err := time.Parse(time.DateOnly, on)
	if err != nil {
		return "", 0, fmt.Errorf("%q is not a date written year-month-day", on)
	}
	years := d.Year() - b.Year()
	if d.Month() < b.Month() || d.Month() == b.Month() && d.Day() < b.Day() {
		years--
	}
	if years < 0 {
		return "", 0, fmt.Errorf("%s is after %s", birth, on)
	}
	if years >= PooledAge {
		return Pooled, 0, nil
	}
	return fmt.Sprint(years), b.Year(), nil
}

// Year is what may stay of a date.
func Year(date string) (int, error) {
	d, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return 0, fmt.Errorf("%q is not a date written year-month-day", date)
	}
	return d.Year(), nil
}

// Shift moves a date by days: the same number for all dates of a person.
func Shift(date string, days int) (string, error) {
	d, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return "", fmt.Errorf("%q is not a date written year-month-day", date)
	}
	return d.AddDate(0, 0, days).Format(time.DateOnly), nil
}

// StudyDay counts from the first test, which is day 1; the day before it is -1. There is no day 0.
func StudyDay(first, date string) (int, error) {
	a, err := time.Parse(time.DateOnly, first)
	if err != nil {
		return 0, fmt.Errorf("%q is not a date written year-month-day", first)
	}
	b, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return 0, fmt.Errorf("%q is not a date written year-month-day", date)
	}
	days := int(b.Sub(a).Hours() / 24)
	if days >= 0 {
		days++
	}
	return days, nil
}

// Zip is what may stay of a postal code of the United States: three digits, 000 where too few people live in the area.
func Zip(code string, restricted []string) string {
	var digits strings.Builder
	for _, r := range code {
		if r == '-' || r == ' ' {
			break
		}
		if r < '0' || r > '9' {
			return "000"
		}
		digits.WriteRune(r)
	}
	if digits.Len() < 5 {
		return "000"
	}
	three := digits.String()[:3]
	for _, prefix := range restricted {
		if prefix == three {
			return "000"
		}
	}
	return three
}
