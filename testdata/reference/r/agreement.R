# Reference values for raters and groups of an agreement analysis, from R (r-base-core, r-cran-psych of Debian 12).
# Made with:  Rscript agreement.R > agreement.json
# All data are random, from the seed below; no person was measured. Numbers are written with 17 significant digits.
suppressMessages(library(psych))
RNGversion("4.2.0")
set.seed(20261126)
num <- function(v) sprintf("%.17g", v)
arr <- function(v) paste0("[", paste(num(v), collapse = ","), "]")
mat <- function(m) paste0("[", paste(apply(m, 1, arr), collapse = ","), "]")
str <- function(s) paste0('"', s, '"')
obj <- function(...) { a <- list(...); paste0("{", paste0('"', names(a), '":', unlist(a), collapse = ","), "}") }
lst <- function(v) paste0("[\n", paste(v, collapse = ",\n"), "\n]")

group <- function(name, m) {
  r <- suppressWarnings(suppressMessages(ICC(m, lmer = FALSE)))$results; n <- nrow(m); k <- ncol(m)
  w <- summary(aov(v ~ s, data.frame(v = as.vector(m), s = factor(rep(1:n, k)))))[[1]][["Mean Sq"]][2]
  obj(name = str(name), targets = n, icc_2_1 = num(r$ICC[2]), lower = num(r$"lower bound"[2]), upper = num(r$"upper bound"[2]), sem = num(sqrt(w)), mdc95 = num(1.96 * sqrt(2) * sqrt(w)))
}
pair <- function(i, j, m) {
  d <- m[, i] - m[, j]; n <- length(d); s <- sd(d); t <- qt(0.975, n - 1); ci <- t.test(d)$conf.int; e <- t * s * sqrt(3 / n)
  low <- mean(d) - 1.96 * s; high <- mean(d) + 1.96 * s
  obj(first = i, second = j, bias = num(mean(d)), sd = num(s), bias_ci = arr(ci), lower = num(low), lower_ci = arr(c(low - e, low + e)), upper = num(high), upper_ci = arr(c(high - e, high + e)))
}
one <- function(sizes, k) {
  n <- sum(sizes); g <- rep(paste("group", seq_along(sizes)), sizes)
  m <- round(outer(rnorm(n, 60, 12), rnorm(k, 0, 3), "+") + rnorm(n * k, 0, 4), 4)
  pairs <- combn(k, 2)
  obj(rows = mat(m), groups = paste0("[", paste(str(g), collapse = ","), "]"), means = arr(colMeans(m)),
      bias = arr(sapply(1:k, function(j) mean(m[, j]) - mean(m[, -j]))),
      pairs = lst(apply(pairs, 2, function(p) pair(p[1], p[2], m))), each_group = lst(sapply(unique(g), function(x) group(x, m[g == x, ]))))
}
cat(obj(made_with = str(R.version.string), psych = str(as.character(packageVersion("psych"))), cases = lst(c(one(c(8, 11), 4), one(c(6, 9, 14), 2), one(c(12, 7), 3)))), "\n")
