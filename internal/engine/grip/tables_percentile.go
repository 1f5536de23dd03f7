package grip

import "ponderal.example/internal/record"

// percents2025 are the percentiles that international2025 has.
var percents2025 = []float64{5, 10, 20, 30, 40, 50, 60, 70, 80, 90, 95}

// international2025 are percentiles in kilograms of force (S62, Tomkinson et al. 2025, table 2, CC BY).
var international2025 = []normRow{
	{sex: record.Male, from: 20, to: 24, at: []float64{33.9, 36.8, 40.5, 43.2, 45.7, 48.0, 50.4, 52.9, 56.0, 60.1, 63.6}},
	{sex: record.Male, from: 25, to: 29, at: []float64{35.5, 38.5, 42.1, 44.8, 47.1, 49.3, 51.5, 53.9, 56.7, 60.7, 64.0}},
	{sex: record.Male, from: 30, to: 34, at: []float64{35.0, 38.3, 42.2, 45.0, 47.4, 49.7, 52.0, 54.4, 57.4, 61.5, 64.9}},
	{sex: record.Male, from: 35, to: 39, at: []float64{33.8, 37.3, 41.5, 44.5, 47.1, 49.5, 51.9, 54.4, 57.5, 61.8, 65.3}},
	{sex: record.Male, from: 40, to: 44, at: []float64{32.3, 36.0, 40.4, 43.6, 46.3, 48.8, 51.2, 53.9, 57.1, 61.5, 65.1}},
	{sex: record.Male, from: 45, to: 49, at: []float64{30.6, 34.4, 39.0, 42.3, 45.1, 47.6, 50.2, 52.9, 56.2, 60.7, 64.4}},
	{sex: record.Male, from: 50, to: 54, at: []float64{28.9, 32.8, 37.4, 40.7, 43.5, 46.2, 48.8, 51.6, 54.8, 59.4, 63.1}},
	{sex: record.Male, from: 55, to: 59, at: []float64{27.2, 31.0, 35.6, 38.9, 41.7, 44.4, 47.0, 49.8, 53.1, 57.7, 61.4}},
	{sex: record.Male, from: 60, to: 64, at: []float64{25.5, 29.1, 33.6, 36.9, 39.7, 42.4, 45.0, 47.8, 51.1, 55.6, 59.3}},
	{sex: record.Male, from: 65, to: 69, at: []float64{23.7, 27.2, 31.5, 34.7, 37.5, 40.1, 42.8, 45.6, 48.8, 53.2, 56.8}},
	{sex: record.Male, from: 70, to: 74, at: []float64{21.9, 25.2, 29.3, 32.4, 35.1, 37.7, 40.3, 43.1, 46.3, 50.6, 54.1}},
	{sex: record.Male, from: 75, to: 79, at: []float64{20.0, 23.1, 27.0, 29.9, 32.5, 35.1, 37.6, 40.3, 43.5, 47.7, 51.1}},
	{sex: record.Male, from: 80, to: 84, at: []float64{18.0, 20.8, 24.5, 27.3, 29.8, 32.3, 34.8, 37.5, 40.5, 44.7, 48.0}},
	{sex: record.Male, from: 85, to: 89, at: []float64{15.9, 18.5, 21.9, 24.6, 27.0, 29.4, 31.8, 34.4, 37.4, 41.5, 44.6}},
	{sex: record.Male, from: 90, to: 94, at: []float64{13.7, 16.1, 19.2, 21.7, 24.0, 26.3, 28.7, 31.2, 34.2, 38.1, 41.2}},
	{sex: record.Male, from: 95, to: 99, at: []float64{11.3, 13.5, 16.4, 18.8, 20.9, 23.1, 25.4, 27.9, 30.8, 34.6, 37.5}},
	{sex: record.Male, from: 100, to: 0, at: []float64{8.8, 10.8, 13.5, 15.7, 17.8, 19.8, 22.0, 24.5, 27.2, 30.9, 33.8}},
	{sex: record.Female, from: 20, to: 24, at: []float64{19.7, 21.7, 24.0, 25.7, 27.2, 28.6, 30.0, 31.6, 33.6, 36.6, 39.1}},
	{sex: record.Female, from: 25, to: 29, at: []float64{20.0, 22.0, 24.5, 26.3, 27.9, 29.4, 30.9, 32.6, 34.6, 37.4, 39.7}},
	{sex: record.Female, from: 30, to: 34, at: []float64{19.6, 21.8, 24.4, 26.4, 28.1, 29.7, 31.3, 33.1, 35.2, 38.0, 40.4}},
	{sex: record.Female, from: 35, to: 39, at: []float64{19.0, 21.3, 24.1, 26.2, 28.0, 29.7, 31.4, 33.2, 35.4, 38.4, 40.8}},
	{sex: record.Female, from: 40, to: 44, at: []float64{18.3, 20.7, 23.7, 25.8, 27.6, 29.4, 31.1, 33.0, 35.2, 38.3, 40.8}},
	{sex: record.Female, from: 45, to: 49, at: []float64{17.6, 20.1, 23.1, 25.2, 27.1, 28.9, 30.6, 32.5, 34.8, 37.9, 40.4}},
	{sex: record.Female, from: 50, to: 54, at: []float64{16.9, 19.4, 22.4, 24.5, 26.4, 28.2, 29.9, 31.8, 34.0, 37.1, 39.7}},
	{sex: record.Female, from: 55, to: 59, at: []float64{16.1, 18.5, 21.5, 23.7, 25.5, 27.3, 29.0, 30.9, 33.0, 36.1, 38.6}},
	{sex: record.Female, from: 60, to: 64, at: []float64{15.2, 17.6, 20.6, 22.7, 24.5, 26.2, 27.9, 29.7, 31.8, 34.9, 37.4}},
	{sex: record.Female, from: 65, to: 69, at: []float64{14.3, 16.6, 19.5, 21.6, 23.3, 25.0, 26.6, 28.4, 30.5, 33.4, 35.8}},
	{sex: record.Female, from: 70, to: 74, at: []float64{13.2, 15.5, 18.3, 20.3, 22.0, 23.6, 25.2, 26.9, 28.9, 31.8, 34.1}},
	{sex: record.Female, from: 75, to: 79, at: []float64{12.0, 14.3, 17.0, 18.9, 20.5, 22.1, 23.6, 25.2, 27.2, 29.9, 32.2}},
	{sex: record.Female, from: 80, to: 84, at: []float64{10.7, 12.9, 15.5, 17.4, 18.9, 20.4, 21.9, 23.5, 25.3, 28.0, 30.2}},
	{sex: record.Female, from: 85, to: 89, at: []float64{9.3, 11.4, 13.9, 15.7, 17.2, 18.6, 20.0, 21.5, 23.3, 25.9, 28.0}},
	{sex: record.Female, from: 90, to: 94, at: []float64{7.8, 9.8, 12.2, 13.9, 15.3, 16.7, 18.0, 19.5, 21.2, 23.6, 25.7}},
	{sex: record.Female, from: 95, to: 99, at: []float64{6.1, 8.0, 10.3, 11.9, 13.3, 14.6, 15.9, 17.3, 18.9, 21.2, 23.2}},
	{sex: record.Female, from: 100, to: 0, at: []float64{4.2, 6.1, 8.3, 9.8, 11.2, 12.4, 13.6, 14.9, 16.5, 18.7, 20.6}},
}

// percents2014 are the percentiles that britain2014Men has.
var percents2014 = []float64{10, 25, 50, 75, 90}

// britain2014Men are percentiles in kilograms of force at exact ages (S63, Dodds et al. 2014, table 2, CC BY): men only.
var britain2014Men = []normRow{
	{sex: record.Male, from: 15, to: 15, at: []float64{21, 25, 29, 33, 38}},
	{sex: record.Male, from: 20, to: 20, at: []float64{30, 35, 40, 46, 52}},
	{sex: record.Male, from: 25, to: 25, at: []float64{36, 41, 48, 55, 61}},
	{sex: record.Male, from: 30, to: 30, at: []float64{38, 44, 51, 58, 64}},
	{sex: record.Male, from: 35, to: 35, at: []float64{39, 45, 51, 58, 64}},
	{sex: record.Male, from: 40, to: 40, at: []float64{38, 44, 50, 57, 63}},
	{sex: record.Male, from: 45, to: 45, at: []float64{36, 42, 49, 56, 61}},
	{sex: record.Male, from: 50, to: 50, at: []float64{35, 41, 48, 54, 60}},
	{sex: record.Male, from: 55, to: 55, at: []float64{34, 40, 47, 53, 59}},
	{sex: record.Male, from: 60, to: 60, at: []float64{33, 39, 45, 51, 56}},
	{sex: record.Male, from: 65, to: 65, at: []float64{31, 37, 43, 48, 53}},
	{sex: record.Male, from: 70, to: 70, at: []float64{29, 34, 39, 44, 49}},
	{sex: record.Male, from: 75, to: 75, at: []float64{26, 31, 35, 41, 45}},
	{sex: record.Male, from: 80, to: 80, at: []float64{23, 27, 32, 37, 42}},
	{sex: record.Male, from: 85, to: 85, at: []float64{19, 24, 29, 33, 38}},
	{sex: record.Male, from: 90, to: 90, at: []float64{16, 20, 25, 29, 33}},
}
