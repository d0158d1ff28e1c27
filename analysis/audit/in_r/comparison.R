# How far R's numbers lie from those of the study, and the files that say so.

number <- function(x) formatC(x, digits = 17, format = "g", width = 1)

formatted <- function(table) {
  numeric <- vapply(table, is.numeric, logical(1))
  table[numeric] <- lapply(table[numeric], number)
  table
}

append_rows <- function(table, file) {
  known <- file.exists(file)
  write.table(
    table, file,
    sep = ",", qmethod = "double", row.names = FALSE, col.names = !known, append = known
  )
}

numbers_of <- function(model, result) {
  rows <- lapply(seq_along(result$fits), function(k) {
    fit <- result$fits[[k]]
    data.frame(
      model = model$model, data_set = k, column = paste0("x", seq_along(fit$coefficients)),
      coefficient = number(fit$coefficients), standard_error = number(fit$errors),
      log_likelihood = number(fit$likelihood)
    )
  })
  do.call(rbind, rows)
}

# Found minus expected, by a scale. A number that only one of both has gives NA, which never agrees.
apart <- function(found, expected, scale = 1) {
  same <- (is.na(found) & is.na(expected)) | (!is.na(found) & !is.na(expected) & found == expected)
  ifelse(same, 0, (found - expected) / scale)
}

# The largest of some differences, with its sign, and where it lies.
largest <- function(quantity, differences, where) {
  place <- if (anyNA(differences)) which(is.na(differences))[1] else which.max(abs(differences))
  data.frame(quantity = quantity, difference = differences[place], at = where[place])
}

# Fit by fit. Log-likelihoods: the difference as a share of the log-likelihood, or of one.
of_fits <- function(result, expected) {
  part <- function(name) unlist(lapply(result$fits, `[[`, name), use.names = FALSE)
  if (nrow(expected) != length(part("coefficients"))) {
    stop(
      "expected.csv holds ", nrow(expected), " coefficients of this model, R found ",
      length(part("coefficients")),
      call. = FALSE
    )
  }
  where <- expected$term
  several <- length(result$fits) > 1
  if (several) where <- paste0(where, ", data set ", expected$data_set)
  first <- !duplicated(expected$data_set)
  likelihood <- expected$log_likelihood[first]
  sets <- if (several) paste("data set", expected$data_set[first]) else ""
  rbind(
    largest(
      "largest_difference_in_standard_errors",
      (part("coefficients") - expected$coefficient) / expected$standard_error, where
    ),
    largest(
      "largest_relative_difference_of_standard_error",
      part("errors") / expected$standard_error - 1, where
    ),
    largest(
      "relative_difference_of_log_likelihood",
      (part("likelihood") - likelihood) / pmax(abs(likelihood), 1), sets
    )
  )
}

# The numbers of the report: estimate and limits in standard errors; standard error, degrees of
# freedom and step as a share of themselves; p and missing information, from 0 to 1, as they are.
of_printed <- function(found, printed) {
  if (nrow(printed) == 0) return(NULL)
  found <- found[match(printed$column, found$column), ]
  names <- c(
    "coefficient", "low", "high", "standard_error", "df", "step", "p", "missing_information"
  )
  differences <- lapply(names, function(name) {
    scale <- switch(
      name,
      coefficient = , low = , high = printed$standard_error,
      standard_error = , df = , step = printed[[name]],
      1
    )
    apart(found[[name]], printed[[name]], scale)
  })
  where <- paste(rep(printed$term, length(names)), rep(names, each = nrow(printed)), sep = ": ")
  largest("largest_difference_of_printed", unlist(differences), where)
}

# Tests of proportional hazards, of each column and of all: statistics as a share of themselves or
# of one, p as it is.
of_tests <- function(result, tests) {
  if (nrow(tests) == 0) return(NULL)
  statistics <- sapply(result$fits, function(each) pmax(proportional(each$fit), 0))
  df <- c(rep(1, nrow(statistics) - 1), nrow(statistics) - 1)
  found <- t(sapply(seq_along(df), function(i) pooled_test(unname(statistics[i, ]), df[i])))
  found <- found[match(tests$column, rownames(statistics)), , drop = FALSE]
  differences <- c(
    apart(found[, "statistic"], tests$statistic, pmax(abs(tests$statistic), 1)),
    apart(found[, "p"], tests$p)
  )
  where <- paste0(rep(tests$term, 2), rep(c(": statistic", ": p"), each = nrow(tests)))
  largest("largest_difference_of_tests", differences, where)
}

# P-values adjusted over the models of a family, whose size is the planned one.
of_family <- function(found, printed, models, family) {
  if (!all(models %in% names(found))) stop("a model of the family was not fitted", call. = FALSE)
  rows <- printed[printed$model %in% models & !is.na(printed$p_adjusted), ]
  all_found <- do.call(rbind, found[models])
  key <- function(table) paste(table$model, table$column)
  p <- all_found$p[match(key(rows), key(all_found))]
  adjusted <- p.adjust(p, family$method, n = family$size)
  largest(
    "largest_difference_of_printed", apart(adjusted, rows$p_adjusted),
    paste(rows$term, "p_adjusted", sep = ": ")
  )
}

# Write the differences of a model, and say on the screen whether they are within their limits. The
# standard errors of all columns have none: with two athletes some depend on a variance that the
# data do not determine. Those that the report prints are among its numbers.
tell <- function(model, package, differences, limits) {
  limit <- limits[limits$package == package, ]
  likelihood <- grepl("likelihood", differences$quantity)
  allowed <- ifelse(likelihood, limit$log_likelihood, limit$coefficient)
  held <- differences$quantity != "largest_relative_difference_of_standard_error"
  size <- abs(differences$difference[held])
  within <- all(!is.na(size) & size <= allowed[held])
  cat(if (within) "agrees " else "DIFFERS", model, "\n")
  version <- paste0("R ", getRversion(), ", ", package, " ", packageVersion(package))
  differences$difference <- number(differences$difference)
  append_rows(
    data.frame(model = model, package = package, version = version, differences),
    "r_differences.csv"
  )
}
